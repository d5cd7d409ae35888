"""The pages in a real browser, opened from the disk: they draw, they turn, they complain about nothing and ask for nothing."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest
from headless_browser import BROWSER, Page
from PIL import Image
from report_sheet import invented_batch, invented_job, invented_records, invented_sheet

from meshtools.geometry.picture import encode_png
from meshtools.report.index import index_page
from meshtools.report.page import bone_page
from meshtools.report.sheet import make_sheet

pytestmark = [pytest.mark.slow, pytest.mark.skipif(BROWSER is None, reason="no chromium on this machine")]
DRAWN = "document.getElementById('view').dataset.state === 'drawn'"
STAGE = "(() => { const b = document.querySelector('.stage').getBoundingClientRect(); return [b.x, b.y, b.right, b.bottom]; })()"
SETTLE = "new Promise(done => requestAnimationFrame(() => requestAnimationFrame(() => setTimeout(done, 100))))"


def view_of(page: Page) -> np.ndarray:
    """Pixels of the view, (h, w, 3)."""
    page.evaluate(SETTLE)
    picture = Image.open(io.BytesIO(page.screenshot())).convert("RGB")
    left, top, right, bottom = (int(x) for x in page.evaluate(STAGE))
    return np.asarray(picture.crop((left + 8, top + 8, right - 8, bottom - 8))).astype(int)  # within the ring that marks focus


def share_changed(before: np.ndarray, after: np.ndarray) -> float:
    return float((np.abs(before - after).max(axis=2) > 24).mean())


def bluish(view: np.ndarray) -> float:
    """Share of pixels in the hue of class OWN-R, lit or shaded."""
    red, green, blue = np.moveaxis(view, 2, 0)
    return float(((blue > red + 60) & (blue > green + 10)).mean())


def test_the_page_draws_the_bone_turns_it_and_switches_colours_without_complaint_or_request(tmp_path: Path) -> None:
    path = tmp_path / "report.html"
    path.write_text(bone_page(invented_sheet()), encoding="utf-8")
    with Page(tmp_path) as page:
        page.open(path, DRAWN)
        first = view_of(page)
        assert 0.05 < bluish(first) < 0.6
        page.evaluate("document.querySelector('canvas').focus()")
        page.press("ArrowDown")
        turned = view_of(page)
        assert share_changed(first, turned) > 0.01
        page.press("0")
        assert share_changed(first, view_of(page)) < 0.001
        left, top, right, bottom = page.evaluate(STAGE)
        for kind, x in (("mousePressed", 0.4), ("mouseMoved", 0.5), ("mouseReleased", 0.5)):
            page.mouse(kind, left + x * (right - left), (top + bottom) / 2)
        assert share_changed(first, view_of(page)) > 0.01
        page.evaluate("document.querySelector('[data-reset]').click()")
        page.evaluate("document.querySelector('input[value=deviation]').click()")
        deviation = view_of(page)
        assert bluish(deviation) < bluish(first) / 2
        assert page.complaints == []
        assert page.requests == [path.as_uri()]


def test_the_scale_bar_is_as_long_as_it_says(tmp_path: Path) -> None:
    """The invented bone is 412 mm long and lies across the first view."""
    path = tmp_path / "report.html"
    path.write_text(bone_page(invented_sheet()), encoding="utf-8")
    with Page(tmp_path) as page:
        page.open(path, DRAWN)
        view = view_of(page)
        background = view[2, 2]
        columns = np.flatnonzero((np.abs(view - background).max(axis=2) > 40)[: int(len(view) * 0.85)].any(axis=0))
        bar = page.evaluate("(() => { const b = document.querySelector('.scalebar'); return [b.getBoundingClientRect().width, b.textContent]; })()")
    length_mm = float(bar[1].removesuffix(" mm"))
    assert (columns[-1] - columns[0] + 1) * length_mm / bar[0] == pytest.approx(412, rel=0.015)


def test_pointing_at_the_bone_names_its_class_and_deviation(tmp_path: Path) -> None:
    path = tmp_path / "report.html"
    path.write_text(bone_page(invented_sheet()), encoding="utf-8")
    with Page(tmp_path) as page:
        page.open(path, DRAWN)
        page.evaluate(SETTLE)
        left, top, right, bottom = page.evaluate(STAGE)
        page.send("Input.dispatchMouseEvent", type="mouseMoved", x=(left + right) / 2, y=(top + bottom) / 2)
        page.evaluate(SETTLE)
        words = page.evaluate("document.querySelector('.readout').textContent")
    assert words.startswith("OWN-R: this animal's own bone of the other side, reflected, ")
    assert words.endswith(" mm")


def test_the_view_marks_the_places_that_findings_name_and_pointing_at_one_reads_its_finding(tmp_path: Path) -> None:
    records = invented_records()
    message = "femur-right: the surface passes through itself at 1 place, near (123.2, -34.0, 241.0) mm of replica.ply."
    named = {"severity": "review", "code": "self-intersection", "message": message, "value": 1, "limit": 0, "unit": ""}
    records["rebuild"]["findings"] = [named]
    path = tmp_path / "report.html"
    path.write_text(bone_page(make_sheet(invented_job(), records)), encoding="utf-8")
    with Page(tmp_path) as page:
        page.open(path, DRAWN)
        view = view_of(page)
        red, green, blue = np.moveaxis(view, 2, 0)
        is_dot = (red > 150) & (green < 60) & (blue > 60)
        assert 30 < is_dot.sum() < 400
        y, x = (int(np.median(axis)) + 8 for axis in np.nonzero(is_dot))
        left, top = page.evaluate(STAGE)[:2]
        page.send("Input.dispatchMouseEvent", type="mouseMoved", x=int(left) + x, y=int(top) + y)
        page.evaluate(SETTLE)
        assert page.evaluate("document.querySelector('.readout').textContent") == message


def test_without_webgl_the_still_picture_stays(tmp_path: Path) -> None:
    picture = io.BytesIO()
    Image.new("RGB", (90, 60), "#56B4E9").save(picture, "PNG")
    path = tmp_path / "report.html"
    path.write_text(bone_page(invented_sheet(picture_png=picture.getvalue())), encoding="utf-8")
    with Page(tmp_path, flags=("--disable-3d-apis",)) as page:
        page.open(path, "document.querySelector('img.still').complete")
        assert page.evaluate("document.getElementById('view').dataset.state") == "still"
        assert page.evaluate("getComputedStyle(document.querySelector('img.still')).visibility") == "visible"
        assert page.evaluate("document.querySelector('img.still').naturalWidth") == 90
        assert page.complaints == []


def test_the_index_filters_by_status(tmp_path: Path) -> None:
    path = tmp_path / "index.html"
    path.write_text(index_page(invented_batch()), encoding="utf-8")
    visible = "[...document.querySelectorAll('tr[data-status]')].filter(row => row.offsetHeight > 0).map(row => row.dataset.status)"
    with Page(tmp_path) as page:
        page.open(path)
        assert len(page.evaluate(visible)) == 7
        page.evaluate("document.querySelector('[data-show=review]').click()")
        assert page.evaluate(visible) == ["review", "review"]
        assert page.complaints == []
        assert page.requests == [path.as_uri()]


def test_on_a_screen_1280_pixels_wide_the_job_sheets_and_sign_offs_of_the_index_are_not_cut_off(tmp_path: Path) -> None:
    batch = invented_batch()
    picture = encode_png(np.full((160, 240, 3), 200, dtype=np.uint8))
    for row in batch["targets"][0]["rows"]:
        sheets = [{"route": route, "status": "review", "sheet": f"{route}/sheet.pdf", "n_off": 2} for route in ("print", "cnc", "mould")]
        row |= {"routes": sheets, "sign_off": "signed", "sign_off_words": "signed with 2 open findings; revision 1 was handed over", "handed_over": 1}
        row |= {"picture_png": picture, "findings": [{"severity": "review", "code": "open-rim", "message": "A sentence of some length. " * 8}]}
    path = tmp_path / "index.html"
    path.write_text(index_page(batch), encoding="utf-8")
    with Page(tmp_path, (1280, 900)) as page:
        page.open(path, "document.querySelector('.elements')")
        boxes = "[...document.querySelectorAll('.scroll')].map(box => box.scrollWidth - box.clientWidth)"
        assert max(page.evaluate(boxes)) <= 1


def test_on_a4_paper_no_table_is_cut_off(tmp_path: Path) -> None:
    """A4 less two margins of 14 mm is 182 mm, 688 CSS pixels of 1/96 inch."""
    path = tmp_path / "report.html"
    path.write_text(bone_page(invented_sheet()), encoding="utf-8")
    with Page(tmp_path, (688, 971)) as page:
        page.send("Emulation.setEmulatedMedia", media="print")
        page.open(path, "document.getElementById('view')")
        boxes = "[...document.querySelectorAll('.scroll')]"
        cut = page.evaluate(boxes + ".filter(box => box.scrollWidth > box.clientWidth + 1).map(box => box.textContent)")
        assert cut == []
        assert page.evaluate("document.documentElement.scrollWidth") == 688
