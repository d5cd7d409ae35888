"""Loops over millions of faces, compiled to machine code when they are first used (numba; kept beside the bytecode for the next process).

A loop that another one calls, and every constant of one, stands in a module whose name ends in `_kernels`: the machine code is kept for just
those sources.
"""

from __future__ import annotations

import gc
import hashlib
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable
from contextlib import nullcontext, suppress
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar, cast

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from meshtools.model import Mesh

HERE = Path(__file__).resolve().parent
FOLDER = "loops-"
FROM_END = "--from-end"

F = TypeVar("F", bound=Callable[..., Any])


def compiled(function: F) -> F:
    """The function as machine code. Without fast-math, so that results are those of IEEE arithmetic in the order written."""
    import numba

    from meshtools.geometry.light_numba import load_lightly

    load_lightly()
    folder = _folder_of_code()
    if folder is None:
        return cast(F, _called_by_types(numba.njit(nogil=True)(function)))
    numba.config.CACHE_DIR = str(folder)  # type: ignore[attr-defined]
    return cast(F, _called_by_types(numba.njit(cache=True, nogil=True)(function)))


def _called_by_types(loop: Any) -> Any:
    """Let other loops call this one with numbers by their type alone. A number that stands in a call is a type of its own to numba, and so is a
    variable before it is seen to change: the loop was compiled for each of them, mostly for nobody, a quarter of the time of all."""
    template = getattr(loop, "get_call_template", None)
    if template is None:  # NUMBA_DISABLE_JIT, or a numba that works another way
        return loop

    def template_of_types(types: Any, named: Any) -> Any:
        from numba.core import types as kinds

        plain: Any = kinds.unliteral
        return template(tuple(map(plain, types)), {name: plain(type_) for name, type_ in named.items()})

    loop.get_call_template = template_of_types
    return loop


def given(array: Any, dtype: Any) -> NDArray[Any]:
    """An array for a loop to read: of this type, row after row, and closed to writing, since open and closed ones would need machine code each."""
    view = np.ascontiguousarray(array, dtype).view()
    view.flags.writeable = False
    return view


@cache
def _folder_of_code() -> Path | None:
    """Where machine code is kept: a folder for just these sources, None where none can be written, so that each process compiles anew. numba looks
    whether the file of a loop has changed, but not whether that of another loop has, which the first one calls and so contains."""
    digest = hashlib.sha256(Path(__file__).read_bytes())
    for path in sorted(HERE.glob("*_kernels.py")):
        digest.update(path.read_bytes())
    chosen = os.environ.get("NUMBA_CACHE_DIR")
    for parent in [chosen] if chosen else [str(HERE / "__pycache__"), os.path.expanduser("~/.cache/bonewright")]:
        folder = Path(parent, f"{FOLDER}{digest.hexdigest()[:16]}").absolute()
        with suppress(OSError):
            folder.mkdir(parents=True, exist_ok=True)
            tempfile.TemporaryFile(dir=folder).close()
            return folder
    return None


def forget_old_code() -> None:
    """Remove machine code beside this module that belongs to other sources."""
    for path in (HERE / "__pycache__").glob("*"):
        if path.name.startswith(FOLDER) and path != _folder_of_code():
            shutil.rmtree(path, ignore_errors=True)
        elif path.suffix in (".nbi", ".nbc"):
            path.unlink(missing_ok=True)


def compile_all(has_routes: bool = True, from_end: bool = False) -> None:
    """Compile every loop, or load it from where it is kept, by decimating, carving and moulding a small knobbly ball. Done once at installation
    (a minute or two) and once in each worker (a second), so that no job waits for it. A worker without jobs of carving and moulding (`has_routes`)
    leaves their loops out. A second process of the installation begins at the other end (`from_end`), and leaves out decimation, which takes half of
    the time and is where the first one begins, so that hardly a loop is compiled by both."""
    steps = [_decimate, _clean, _measure, _lay_on, _draw, *[_carve_and_mould] * has_routes]
    ball = _knobbly_ball(20, 40)
    for step in reversed(steps[1:]) if from_end else steps:
        step(ball)


def _knobbly_ball(n_rings: int, n_round: int) -> Mesh:
    """An open coloured ball of two sources, one to each side of a border, as a scan with filled holes is."""
    from meshtools.model import Mesh

    height = np.linspace(0.05, np.pi - 0.05, n_rings)[:, None]
    round_ = np.linspace(0.0, 2.0 * np.pi, n_round, endpoint=False)[None, :]
    radius = 10.0 + 0.3 * np.sin(9.0 * height) * np.cos(11.0 * round_)
    points = np.stack([radius * np.sin(height) * np.cos(round_), radius * np.sin(height) * np.sin(round_), radius * np.cos(height)], axis=2)
    here = (np.arange(n_rings - 1)[:, None] * n_round + np.arange(n_round)[None, :]).ravel()
    right = (np.arange(n_rings - 1)[:, None] * n_round + (np.arange(n_round)[None, :] + 1) % n_round).ravel()
    faces = np.concatenate([np.stack([here, here + n_round, right], axis=1), np.stack([right, here + n_round, right + n_round], axis=1)])
    return Mesh.create(points.reshape(-1, 3), faces, faces[:, 0] >= n_rings // 2 * n_round, np.zeros((n_rings * n_round, 3)))


def _decimate(ball: Mesh) -> None:
    """Call every loop of decimation."""
    from meshtools.geometry.audit import audit_topology
    from meshtools.geometry.decimate import decimate_within

    audit_topology(ball)
    decimate_within(ball, 0.15)


def _measure(ball: Mesh) -> None:
    """Call every loop that measures between surfaces."""
    from meshtools.geometry.distance import Surface, measure_deviation
    from meshtools.geometry.rays import Rays
    from meshtools.geometry.self_intersection import find_meeting_pairs

    find_meeting_pairs(ball)
    surfaces = Surface(_knobbly_ball(12, 24)), Surface(ball)
    for mesh, other in (surfaces, surfaces[::-1]):
        measure_deviation(mesh, other, n_samples=1)
        mesh.nearest(ball.vertices[:1])
    Rays(ball).is_free(ball.vertices[:1], ball.vertices[:1])


def _lay_on(ball: Mesh) -> None:
    """Call every loop of registration that measuring does not call."""
    from meshtools.geometry.registration_poses import Poses
    from meshtools.geometry.registration_search import NearestGrid, improve_poses, sample_bone, score_poses

    bone, pose = sample_bone(ball), Poses(np.eye(3)[None], np.zeros((1, 3)), np.ones(1))
    grid = NearestGrid(bone, 100)
    score_poses(grid, bone, pose, 8, 0.1)
    improve_poses(grid, bone, pose, 8, np.ones(1), False)


def _draw(ball: Mesh) -> None:
    """Call every loop that writes or draws."""
    from meshtools.geometry.picture import render_picture
    from meshtools.geometry.text_kernels import put_rows

    put_rows(np.zeros((1, 3)), 6, np.zeros(1, np.int64), np.frombuffer(b"xyz;", np.uint8), np.arange(5), np.empty(99, np.uint8))
    render_picture(ball, np.zeros((len(ball.faces), 3), np.uint8), "front", (8, 8), scale_bar=False)


def _clean(ball: Mesh) -> None:
    """Call every loop of cleaning that decimation does not call."""
    from meshtools.geometry.distance_nearby import farthest_nearby
    from meshtools.geometry.measure import median_spacing
    from meshtools.geometry.nearness import faces_near_other_pieces
    from meshtools.geometry.orient import flip_faces, make_consistent, paired_faces
    from meshtools.geometry.piece_kernels import unite_groups
    from meshtools.geometry.pieces import has_faces, rank_pieces, ring_around
    from meshtools.geometry.repair_budget import RepairBudget
    from meshtools.geometry.repair_dangling import remove_dangling
    from meshtools.geometry.row_kernels import equal_rows
    from meshtools.geometry.spikes import find_spikes
    from meshtools.geometry.triangulate import triangulate_loop
    from meshtools.geometry.weld import remove_fins, weld

    equal_rows(np.zeros((2, 3), np.int32))
    weld(ball)
    remove_fins(ball)
    median_spacing(ball)
    rank_pieces(ball)
    paired_faces(ball.faces, len(ball.vertices))
    make_consistent(flip_faces(ball, np.arange(len(ball.faces)) == 0))
    find_spikes(ball)
    has_faces(ball, ball)
    ring_around(ball, np.zeros(len(ball.vertices), bool))
    faces_near_other_pieces(ball, np.arange(len(ball.faces), dtype=np.int32) % 2, 1.0)
    farthest_nearby(ball.vertices[:1], ball)
    remove_dangling(ball, RepairBudget(1.0, 1.0, 1.0))
    unite_groups(*np.zeros((2, 1), np.int32))
    triangulate_loop(ball.vertices[:4], np.zeros((4, 4), bool))


def _carve_and_mould(ball: Mesh) -> None:
    """Call every loop of the carving and the mould route."""
    from meshtools.geometry.jacket import limit_slope
    from meshtools.geometry.mould_fittings import high_points
    from meshtools.geometry.parting import stretch_membrane
    from meshtools.geometry.setups import look_from_two_sides
    from meshtools.settings_cnc import Cutter

    up = np.array([0.0, 0.0, 1.0])
    look_from_two_sides(ball, up, Cutter("ball", "ball", 4.0, 20.0, 50.0, 10.0), 1.0, 2000).left_over(ball.vertices, 1.0)
    stretch_membrane(ball.vertices, ball.faces, 2.0)
    high_points(ball, up, 1.0)
    limit_slope(np.zeros((2, 2)), 1.0)


def main() -> None:
    """What the installation calls. A compiler makes much that stays and little garbage: looked through as often as usual, that took a fifth of the
    time; looked through never, twice the memory. A second process shares the work by what it keeps for this one, which in the end has called every
    loop and so compiled what the other, for whatever reason, has not."""
    from meshtools.geometry.light_numba import is_known
    from meshtools.geometry.threads import n_cores

    gc.set_threshold(50_000, 20, 100)
    if FROM_END in sys.argv[1:]:
        compile_all(from_end=True)
        return
    command = [sys.executable, "-P", "-m", "meshtools.geometry.compiled", FROM_END]
    with subprocess.Popen(command) if n_cores() > 1 and is_known() and _folder_of_code() is not None else nullcontext():
        compile_all()
    forget_old_code()


if __name__ == "__main__":
    main()
