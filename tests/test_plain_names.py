"""Names of files from names that people write, and numbers that they write on the command line."""

from __future__ import annotations

import unicodedata
from pathlib import Path

import pytest

from meshtools.cli import main
from meshtools.intake import draft_rows
from meshtools.jobs.ready_files import file_stem
from meshtools.plain_names import plain_name


@pytest.mark.parametrize(("text", "wanted"), [
    ("geprüft", "geprueft"), ("GEPRÜFT", "geprueft"), ("Fémur gauche", "femur-gauche"), ("bøjet_nøgle", "boejet-noegle"),
    ("Fußknochen", "fussknochen"),
    ("Å-vidje", "aa-vidje"), ("cœur", "coeur"), ("a--b ", "a-b"), ("股骨", ""), ("ADULT-FEMUR-LEFT", "adult-femur-left"),
])  # fmt: skip
def test_letters_of_german_french_and_scandinavian_names_are_spelt_out(text: str, wanted: str) -> None:
    assert plain_name(text) == wanted
    assert plain_name(unicodedata.normalize("NFD", text)) == wanted


def test_files_of_a_route_and_drafted_rows_are_named_so() -> None:
    assert (file_stem("GEPRÜFT"), file_stem("股骨")) == ("geprueft", "part")
    assert draft_rows(["scans/Wadenbein links geprüft.stl"]).splitlines()[1].startswith("wadenbein-links-geprueft,")


@pytest.mark.parametrize(("text", "sentence"), [
    ("1,17", "'1,17' has a decimal comma; write 1.17, with a point"), ("much", "'much' is not a number; write it as 1.17"),
])  # fmt: skip
def test_a_decimal_comma_on_the_command_line_is_refused_with_the_number_that_has_a_point(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str, sentence: str
) -> None:
    with pytest.raises(SystemExit) as stopped:
        main(["scale", "a.stl", "--unit", "mm", "--factor", text, "-o", str(tmp_path / "out.ply")])
    assert (stopped.value.code, sentence in capsys.readouterr().err) == (2, True)
