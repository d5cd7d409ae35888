"""Snakemake without libraries that no build asks for: the same memory of a file, and the libraries themselves where a version asks for more."""

import json
import subprocess
import sys

RECORD = """
import json, sys
from meshtools import light_snakemake
{before}
is_light = light_snakemake.spare_databases() if {is_light} else False
from snakemake.persistence import MetadataRecord
record = MetadataRecord(rule="one", params=["'key'"], endtime=1.5)
again = MetadataRecord.model_validate(json.loads(json.dumps(dict(record.items()))))
again.code, again.input_checksums["a"] = record["rule"], record.get("nothing", 2)
print(json.dumps([is_light, "sqlalchemy" in sys.modules, [dict(one.items()) for one in (record, again, MetadataRecord())], list(again.keys())]))
"""


def record(is_light: bool, before: str = "") -> tuple[bool, bool, str]:
    """Whether stand-ins were enough and a library for databases is loaded, and what is remembered of three files, in a process of its own."""
    command = [sys.executable, "-P", "-c", RECORD.format(is_light=is_light, before=before)]
    said = json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout)
    return said[0], said[1], json.dumps(said[2:])


def test_what_is_remembered_of_a_file_is_the_same_without_libraries_for_databases() -> None:
    plain, light = record(False), record(True)
    assert (plain[:2], light[:2]) == ((False, True), (True, False))
    assert light[2] == plain[2]


def test_a_version_that_asks_for_more_gets_the_libraries_themselves() -> None:
    plain = record(False)
    assert record(True, "light_snakemake.Fields = object") == plain


def test_templates_are_read_without_numpy_which_is_there_afterwards() -> None:
    look = "light_snakemake.spare_numbers(); before = 'numpy' in sys.modules; import yte, numpy; print(before, yte.process_yaml('a: ?1 + 1'))"
    command = [sys.executable, "-P", "-c", f"import sys; from meshtools import light_snakemake; {look}"]
    assert subprocess.run(command, check=True, capture_output=True, text=True).stdout == "False {'a': 2}\n"


REPORTS = """
import sys
from meshtools import light_snakemake
light_snakemake.spare_databases(), light_snakemake.spare_numbers()
{before}
is_light = light_snakemake.spare_reports()
import snakemake.cli, snakemake.api
print(is_light, *(name in sys.modules for name in ("docutils", "jinja2", "PIL")), snakemake.report.Figure.__module__)
import docutils.parsers.rst.directives.images, jinja2
print(docutils.parsers.rst.directives.images.Figure.__module__, jinja2.Environment().from_string("{{{{ 1 }}}}").render())
"""


def reports(before: str) -> list[str]:
    """Whether stand-ins were enough, what is loaded with snakemake, and what the libraries give to whoever asks afterwards."""
    return subprocess.run([sys.executable, "-P", "-c", REPORTS.format(before=before)], check=True, capture_output=True, text=True).stdout.splitlines()


def test_snakemake_is_loaded_without_what_makes_its_own_reports_which_is_there_afterwards() -> None:
    images = "docutils.parsers.rst.directives.images"
    assert reports("") == ["True False False False meshtools.light_snakemake", f"{images} 1"]
    assert reports("light_snakemake._for_reports = lambda: {'jinja2': None}") == [f"False True False True {images}", f"{images} 1"]
