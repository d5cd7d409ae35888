"""The large view of a bone's page: a still picture that the viewer, where it can run, exchanges for a turning one."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from meshtools.report.chips import class_chip
from meshtools.report.markup import Html, figure, join, number, percent, png_address, tag
from meshtools.report.words import NO_SOURCE_COLOUR

HINT = "Drag or use the arrow keys to turn. Shift-drag moves. Click, then the wheel or + and − zoom. 0 brings the first view back."


def view_figure(sheet: Mapping[str, Any]) -> Html:
    """The view with its legend, or a plain sentence where there is neither mesh nor picture."""
    viewer, picture = sheet["viewer"], sheet["picture_png"]
    if viewer is None and picture is None:
        return tag("p", "There is no picture: no replica was made.", class_="nopicture")
    still = tag("img", class_="still", src=png_address(picture), alt=picture_words(sheet)) if picture else ""
    if not still:
        still = tag("p", "The turning view needs WebGL, and this page carries no still picture.", class_="still")
    if viewer is None:
        return tag("figure", still, tag("aside", _evidence_legend(sheet)), id="view", data_state="still", data_colours="evidence")
    stage = tag("div", _bar(), tag("p", class_="readout", role="status"), class_="stage", data_label=f"Turning view. {picture_words(sheet)} {HINT}")
    side = tag("aside", _switch(viewer), _evidence_legend(sheet), _deviation_legend(viewer) if viewer["deviation"] else "")
    marks = "Dots: places that findings name; point at one to read it. " if viewer.get("marks") else ""
    caption = tag("figcaption", tag("span", HINT, " ", marks, class_="live"), " ", _error_words(viewer))
    return tag("figure", tag("div", still, stage, class_="pane"), side, caption, id="view", data_state="still", data_colours="evidence")


def picture_words(sheet: Mapping[str, Any]) -> str:
    """What the picture shows, in words, for readers who do not see it."""
    shares = ", ".join(f"{row['class']} {percent(row['area_ratio'])}" for row in sheet["shares"])
    coloured = f" Coloured by evidence class: {shares} of the area." if shares else ""
    return f"{sheet['title']} of {sheet['target']}.{coloured}"


def _bar() -> Html:
    return tag("div", tag("span"), class_="scalebar", aria_hidden="true")


def _error_words(viewer: Mapping[str, Any]) -> str:
    faces = number(viewer["n_faces"], 0)
    return f"View of {faces} faces, at most {figure(viewer['error_mm'], 'mm', 2)} from the replica; figures below are of the replica itself."


def _switch(viewer: Mapping[str, Any]) -> Html:
    """Evidence or deviation colours, and the way back to the first view."""
    def choice(value: str, label: str, is_chosen: bool) -> Html:
        return tag("label", tag("input", type="radio", name="colours", value=value, checked=is_chosen, autocomplete="off"), " ", label)

    choices = [choice("evidence", "Evidence", True)]
    if viewer["deviation"]:
        choices.append(choice("deviation", "Deviation", False))
    reset = tag("button", "First view", type="button", data_reset=True)
    return tag("fieldset", tag("legend", "Colour by"), *choices, reset, class_="live switch")


def _evidence_legend(sheet: Mapping[str, Any]) -> Html:
    """One row a class: code, share, words. With the viewer a row is a button that shows its class alone."""
    viewer = sheet["viewer"]
    ratios = {row["class"]: row["area_ratio"] for row in sheet["shares"]}
    codes = [entry["code"] for entry in viewer["class_table"]] if viewer else list(ratios)
    words = {row["class"]: row["words"] for row in sheet["shares"]}
    rows = []
    for index, code in enumerate(codes):
        if code not in ratios:
            continue
        line = join([class_chip(code), tag("span", percent(ratios[code]), class_="num"), tag("span", words[code], class_="words")])
        button = tag("button", line, type="button", data_class=index, aria_pressed="false", title="Show this class alone")
        rows.append(tag("li", button if viewer else tag("span", line, class_="row")))
    note = tag("p", "Share of the surface area. Hatched: nobody's bone.", class_="small")
    return tag("div", tag("ul", *rows), note, class_="legend evidence")


def _deviation_legend(viewer: Mapping[str, Any]) -> Html:
    low, high = viewer["deviation_range_mm"]
    ramp = ", ".join(viewer["deviation_ramp"])
    middle = "0" if low < 0 else figure(high / 2, "", 2)
    marks = (f"{number(low, 2)} or less" if low < 0 else "0", middle, f"{'+' if low < 0 else ''}{number(high, 2)} or more")
    ticks = tag("div", *(tag("span", mark) for mark in marks), class_="ticks")
    ends = tag("div", tag("span", "inside the scan"), tag("span", "outside"), class_="ticks") if low < 0 else ""
    bar = tag("div", class_="ramp", style=f"background-image:linear-gradient(to right, {ramp})")
    grey = tag("p", tag("span", class_="swatch", style=f"background-color:{NO_SOURCE_COLOUR}"), " no scan behind this surface (FILL, MADE)",
               class_="small")
    title = "Deviation from the scan, mm" if low < 0 else "Distance from the scan, mm"
    return tag("div", tag("p", title), bar, ticks, ends, grey, class_="legend deviation live")
