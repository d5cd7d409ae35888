"""Keys change with meaning and with nothing else."""

from __future__ import annotations

import ast
import os
import subprocess
import sys
import time
from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st

from meshtools.keys import ContentHashes, _without_docstrings, hash_file, sha256_of
from meshtools.model import Caliper, Find, ScalePoints, Side, Unit, plain
from meshtools.plain import from_plain


def digest(code: str) -> str:
    return ast.dump(_without_docstrings(ast.parse(code)))


def test_comments_docstrings_and_layout_are_no_code() -> None:
    assert digest('def f(x):\n    """Says so."""\n    return x + 1  # one more\n') == digest("def f( x ):\n\n    return x+1\n")


def test_a_changed_number_is_code() -> None:
    assert digest("LIMIT = 0.5") != digest("LIMIT = 0.6")


@given(st.dictionaries(st.text(max_size=5), st.integers() | st.text(max_size=5), max_size=6))
def test_the_order_of_keys_does_not_matter(value: dict[str, object]) -> None:
    assert sha256_of(value) == sha256_of(dict(reversed(value.items())))


def test_a_file_replaced_by_another_of_the_same_size_and_time_is_noticed(tmp_path: Path) -> None:
    path = tmp_path / "scan.stl"
    path.write_bytes(b"one")
    stat = path.stat()
    hashes = ContentHashes(tmp_path)
    hashes.of("scan.stl")
    other = tmp_path / "other"
    other.write_bytes(b"two")
    os.utime(other, ns=(stat.st_atime_ns, stat.st_mtime_ns))
    other.replace(path)
    assert hashes.of("scan.stl") == hash_file(path)


def test_a_hash_is_taken_over_from_a_record_only_of_a_file_that_nothing_has_touched_since(tmp_path: Path) -> None:
    path, record = tmp_path / "replica.stl", tmp_path / "record.json"
    path.write_bytes(b"one")
    before_ns = path.stat().st_ctime_ns
    time.sleep(0.05)
    record.write_bytes(b"{}")
    hashes = ContentHashes(tmp_path)
    hashes.take_over("replica.stl", "as stated", record.stat().st_ctime_ns)
    assert hashes.of("replica.stl") == "as stated"
    hashes.take_over("replica.stl", "stated at the same moment", before_ns)
    assert hashes.of("replica.stl") == "as stated"
    stat = path.stat()
    path.write_bytes(b"two")
    os.utime(path, ns=(stat.st_atime_ns, stat.st_mtime_ns))
    hashes.take_over("replica.stl", "as stated", record.stat().st_ctime_ns)
    assert hashes.of("replica.stl") == hash_file(path)
    hashes.take_over("missing.stl", "as stated", record.stat().st_ctime_ns)
    assert hashes.of("missing.stl") is None


def test_a_missing_scan_has_no_hash(tmp_path: Path) -> None:
    assert ContentHashes(tmp_path).of("scans/none.stl") is None


def test_a_find_comes_back_from_its_plain_form() -> None:
    find = Find(
        3, "f-1", "femur", Side.LEFT, "ind-a", "scans/a.stl", Unit.CM, preserved_percent=80.0, caliper=Caliper(12.5, "greatest-length"),
        scale_points=ScalePoints((0.0, 1.0, 2.0), (3.0, 4.0, 5.0), 10.0), pieces=(1, 3),
    )  # fmt: skip
    assert from_plain(Find, plain(find)) == find


def test_every_native_filter_that_decimation_falls_back_to_is_there() -> None:
    """Without libOpenGL pymeshlab imports but leaves most of its filters out, and says so only when one is called."""
    import pymeshlab

    assert hasattr(pymeshlab.MeshSet(), "meshing_decimation_quadric_edge_collapse")


def test_a_remembered_digest_is_the_fresh_one_and_a_torn_memory_is_not_believed(tmp_path: Path) -> None:
    """In processes of their own, with bytecode in a folder of its own: nothing remembered, remembered, and cut short."""
    command = [sys.executable, "-c", "from meshtools.keys import code_digest; print(code_digest('meshtools.jobs.clean'))"]
    environment = {key: value for key, value in os.environ.items() if key != "PYTHONDONTWRITEBYTECODE"} | {"PYTHONPYCACHEPREFIX": str(tmp_path)}
    digests = []
    for _ in range(3):
        digests.append(subprocess.run(command, env=environment, capture_output=True, text=True, encoding="utf-8", check=True).stdout)
        memories = list(tmp_path.rglob("*.tree"))
        if len(digests) == 2:
            for memory in memories:
                memory.write_bytes(memory.read_bytes()[:100])
    assert memories
    assert len(set(digests)) == 1
