"""Snakemake without its libraries for databases: the same memory of a file, and the libraries themselves where a version asks for more of them."""

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
