"""Machine code of compiled loops: kept for the next process, and only as long as all that it is made of stays the same."""

import ast
import os
import shutil
import subprocess
import sys
from pathlib import Path

GEOMETRY = Path(__file__).resolve().parent.parent / "meshtools" / "geometry"
CALLER = """
from loops.compiled import compiled
from loops.called_kernels import called

@compiled
def total():
    return called() + 1
"""
CALLED = """
from loops.compiled import compiled

@compiled
def called():
    return {value}
"""


def make_package(folder: Path) -> Path:
    """A package of one loop that calls another, which is not written yet."""
    package = folder / "loops"
    package.mkdir()
    (package / "__init__.py").touch()
    shutil.copy(GEOMETRY / "compiled.py", package)
    (package / "calling_kernels.py").write_text(CALLER, encoding="utf-8")
    return package


def total(package: Path, value: int, **settings: str) -> str:
    """What a process of its own prints for `total()` where `called()` gives a value. settings: of its environment."""
    (package / "called_kernels.py").write_text(CALLED.format(value=value), encoding="utf-8")
    command = [sys.executable, "-c", "from loops.calling_kernels import total; print(total())"]
    environment = {name: text for name, text in os.environ.items() if name != "NUMBA_CACHE_DIR"} | settings
    return subprocess.run(command, cwd=package.parent, env=environment, check=True, capture_output=True, text=True).stdout.strip()


def test_a_loop_is_compiled_anew_when_one_that_it_calls_has_changed(tmp_path: Path) -> None:
    """numba alone would go on with the old sum, because the file of the calling loop is as it was."""
    package = make_package(tmp_path)
    assert [total(package, value) for value in (1, 41, 1)] == ["2", "42", "2"]
    assert len(list((package / "__pycache__").glob("loops-*"))) == 2


def test_without_a_folder_that_can_be_written_each_process_compiles_for_itself(tmp_path: Path) -> None:
    """A file stands where the folder would have to be. Code that somebody else kept beside the module is not taken then."""
    package = make_package(tmp_path)
    (tmp_path / "no-folder").touch()
    assert total(package, 6, NUMBA_CACHE_DIR=str(tmp_path / "no-folder")) == "7"
    assert list(tmp_path.rglob("*.nbi")) == []


def test_what_loops_are_made_of_stands_in_modules_of_loops() -> None:
    """Such a module takes nothing from the package but from others of its kind, and a loop elsewhere uses nothing that its module takes in."""
    wrong = []
    for path in sorted(GEOMETRY.glob("*.py")):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        taken = {
            alias.name: node.module
            for node in tree.body
            if isinstance(node, ast.ImportFrom) and str(node.module).startswith("meshtools.") and not str(node.module).endswith("geometry.compiled")
            for alias in node.names
        }
        if path.stem.endswith("_kernels"):
            wrong += [f"{path.name}: {name}" for name, module in taken.items() if not str(module).endswith("_kernels")]
            continue
        for node in tree.body:
            if isinstance(node, ast.FunctionDef) and "compiled" in [ast.unparse(decorator) for decorator in node.decorator_list]:
                body = {inner.id for statement in node.body for inner in ast.walk(statement) if isinstance(inner, ast.Name)}
                wrong += [f"{path.name}: {node.name} uses {name}" for name in sorted(body & set(taken))]
    assert wrong == []


CLEANED = """
import sys
import numpy as np
import trimesh
from meshtools.geometry.compiled import compile_all

def kinds():
    modules = [module for name, module in list(sys.modules.items()) if name.startswith("meshtools.geometry")]
    loops = {loop for module in modules for loop in vars(module).values() if hasattr(loop, "py_func")}
    return {f"{loop.py_func.__name__}{kind}" for loop in loops for kind in loop.signatures}

compile_all()
before = kinds()
assert len(before) > 50
sys.path.insert(0, sys.argv[1])
from torture import make_replica
from torture_defects import DEFECTS
ball = trimesh.creation.icosphere(4)
for defect in DEFECTS.values():
    damaged = defect(ball.vertices * [30.0, 12.0, 10.0], np.array(ball.faces), np.random.default_rng(3))
    make_replica(damaged.vertices, damaged.faces, 0.1)
print(*(kinds() - before), sep="; ")
"""


def test_to_clean_and_rebuild_any_defect_takes_no_machine_code_but_that_of_the_installation() -> None:
    """Neither a further loop nor one for another kind of array, for which the first job would wait."""
    command = [sys.executable, "-P", "-c", CLEANED, str(GEOMETRY.parent.parent / "benchmarks")]
    assert subprocess.run(command, check=True, capture_output=True, text=True).stdout.strip() == ""


KINDS = """
import sys
from meshtools.geometry.compiled import compile_all

compile_all(from_end=len(sys.argv) > 1)
modules = [module for name, module in list(sys.modules.items()) if name.startswith("meshtools.geometry")]
loops = {loop for module in modules for loop in vars(module).values() if hasattr(loop, "py_func")}
print(*{f"{loop.py_func.__name__}{kind}" for loop in loops for kind in loop.signatures}, sep="\\n")
"""


def test_the_second_process_of_the_installation_compiles_half_of_what_the_first_one_needs_and_nothing_else() -> None:
    """So the two leave what one alone would, and the first one lacks nothing where the second one fails."""

    def kinds(*arguments: str) -> set[str]:
        command = [sys.executable, "-P", "-c", KINDS, *arguments]
        return set(subprocess.run(command, check=True, capture_output=True, text=True).stdout.splitlines())

    alone, second = kinds(), kinds("from the end")
    assert second < alone
    assert len(second) > 0.4 * len(alone)


KEPT_AT_ONCE = """
import sys, time
from numba.core import caching, types
import loops

read = caching.IndexDataCacheFile._load_index
def read_slowly(self):
    kept = read(self)
    time.sleep(0.3)
    return kept
caching.IndexDataCacheFile._load_index = read_slowly
print("ready", flush=True)
sys.stdin.readline()
for kind in [types.int64, types.float64][int(sys.argv[1])], types.complex128, types.boolean:
    loops.root.compile((kind,))
"""

LOADED = """
import loops

print(loops.root(4), loops.root(4.0), loops.root(4 + 0j), loops.root(True), sum(loops.root.stats.cache_hits.values()))
"""


def test_two_processes_that_keep_a_loop_for_different_kinds_at_once_keep_both(tmp_path: Path) -> None:
    """numba alone may list one kind with the code of the other, or lose one; the list is read slowly here, so that it would."""
    (tmp_path / "loops.py").write_text(LOOPS, encoding="utf-8")
    env = os.environ | {"NUMBA_CACHE_DIR": str(tmp_path / "kept"), "PYTHONPATH": os.pathsep.join([str(tmp_path), str(GEOMETRY.parent.parent)])}
    commands = [[sys.executable, "-c", KEPT_AT_ONCE, str(place)] for place in range(2)]
    both = [subprocess.Popen(command, env=env, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) for command in commands]
    for process in both:
        assert process.stdout is not None
        assert process.stdout.readline() == "ready\n"
    for process in both:
        assert process.stdin is not None
        process.stdin.write("go\n")
        process.stdin.flush()
    for process in both:
        process.communicate()
        assert process.returncode == 0
    loaded = subprocess.run([sys.executable, "-c", LOADED], check=True, capture_output=True, text=True, env=env).stdout
    assert loaded.split() == ["2.0", "2.0", "(2+0j)", "1.0", "4"]
    assert list((tmp_path / "kept").rglob("*.tmp.*")) == []


LOOPS = """
from meshtools.geometry.compiled import compiled

@compiled
def root(x):
    return x ** 0.5

@compiled
def root_and_one(x):
    return root(x) + 1.0
"""

CALLS = """
import loops

both = loops.root, loops.root_and_one
print(*[loop(4.0) for loop in both], *[sum(loop.stats.cache_hits.values()) for loop in both])
"""


def test_a_loop_that_is_compiled_takes_in_one_that_was_loaded(tmp_path: Path) -> None:
    """Loops are loaded without what a compiler needs of them, which is read when one comes: the first process compiles both, the second one the
    caller only, the third none."""
    (tmp_path / "loops.py").write_text(LOOPS, encoding="utf-8")
    env = os.environ | {"NUMBA_CACHE_DIR": str(tmp_path / "kept"), "PYTHONPATH": os.pathsep.join([str(tmp_path), str(GEOMETRY.parent.parent)])}

    def call() -> str:
        return subprocess.run([sys.executable, "-c", CALLS], check=True, capture_output=True, text=True, env=env).stdout.strip()

    first = call()
    for path in (tmp_path / "kept").rglob("loops.root_and_one-*"):
        path.unlink()
    assert [first, call(), call()] == ["2.0 3.0 0 0", "2.0 3.0 1 0", "2.0 3.0 1 1"]


def test_loading_loops_brings_no_lists_of_what_can_be_compiled() -> None:
    """That these modules are away shows that the way of loading still fits the version of numba: a third of the time of loading."""
    command = "from meshtools.geometry.row_kernels import equal_rows; import numpy, sys; equal_rows(numpy.zeros((2, 3), numpy.int32)); "
    command += "print(sum(equal_rows.stats.cache_hits.values()), 'numba.np.random.generator_methods' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", command], check=True, capture_output=True, text=True).stdout.split() == ["1", "False"]
