"""Vertebrae, ribs, skull and jaw of the invented animal, as fields.

Frame: x lateral, y up (dorsal), z forward (cranial), in millimetres of the adult. Median bones are alike on both sides; a rib is a left
rib, and the right one is its reflection across x = 0.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from fields import Array, ball, carve, drum, join, mirrored_x, plate, ring, rod, tube


@dataclass(frozen=True)
class Vertebra:
    """Measures that tell one vertebra from the next, in mm; angles of processes as end points."""

    length: float  # of the centrum
    width: float  # half the centrum's width
    height: float  # half the centrum's height
    canal: float  # radius of the neural canal
    spine: tuple[float, float]  # height of the neural spine above the arch, and how far it leans backwards
    wing: tuple[float, float, float]  # end of the transverse process: x, y, z
    wing_radius: float
    joints: float = 5.0  # radius of the joint processes
    has_ribs: bool = False
    is_flat_wing: bool = False


VERTEBRAE = {
    "cervical-03": Vertebra(36, 14, 11, 8.5, (10, 4), (27, -10, -14), 5.0, 6.5),
    "thoracic-01": Vertebra(27, 15, 11.5, 7.5, (62, 24), (29, 13, 0), 6.0, 5.0, True),
    "thoracic-02": Vertebra(26, 14, 11.5, 7.0, (66, 30), (27, 14, -1), 5.5, 4.5, True),
    "thoracic-03": Vertebra(26, 13.5, 11.5, 6.7, (60, 30), (25, 15, -1), 5.2, 4.3, True),
    "thoracic-04": Vertebra(27, 13.5, 12, 6.5, (50, 27), (23, 15, -2), 5.0, 4.3, True),
    "lumbar-01": Vertebra(34, 17, 13, 7.0, (26, -2), (50, -5, 10), 3.0, 6.0, False, True),
    "lumbar-02": Vertebra(36, 18, 13, 7.0, (24, -3), (54, -7, 12), 3.2, 6.0, False, True),
    "caudal-01": Vertebra(27, 10, 9, 3.6, (9, 2), (24, -1, -4), 3.5, 4.0),
    "caudal-02": Vertebra(27, 9, 8.2, 3.0, (6, 2), (20, -1, -4), 3.2, 3.6),
    "caudal-03": Vertebra(27, 8, 7.6, 2.6, (3, 2), (15, -1, -5), 3.0, 3.2),
}


def vertebra(points: Array, v: Vertebra) -> Array:
    """Waisted centrum, arch round an open neural canal, spine, transverse and joint processes."""
    p = mirrored_x(points)
    z, half, y_canal = p[:, 2], v.length / 2, v.height + v.canal * 0.8
    waist = 0.88 + 0.12 * np.minimum(np.abs(z) / half, 1.2) ** 2
    centrum = drum(p / np.stack([waist * v.width, waist * v.height, np.ones(len(p))], axis=1) * [v.height, v.height, 1], (0, 0, 0), half, v.height)
    wall = v.canal + max(2.6, v.canal * 0.5)
    arch = drum(p, (0, y_canal, -1), half * 0.62, wall)
    top, (rise, lean) = y_canal + wall, v.spine
    spine = tube(
        p, [(0, top - 3, -1), (0, top + rise * 0.55, -1 - lean * 0.5), (0, top + rise, -1 - lean)], [3.0, 2.4, 3.0], (1, 1, 2.6 if rise > 15 else 2.0)
    )
    x, y, z_end = v.wing
    start = (v.width * 0.7, y * 0.8 if v.is_flat_wing else (y_canal if v.has_ribs else y * 0.3), 0)
    wing = tube(p, [start, (x, y, z_end)], [v.wing_radius * 1.2, v.wing_radius], (1, 1, 3.2 if v.is_flat_wing else 1.3))
    side = v.canal + 2.5
    j = v.joints
    front = join(
        3,
        rod(p, (side, y_canal, half * 0.2), (side + 2, y_canal + v.canal * 0.5, half * 0.8), j * 0.8, j * 0.6),
        ball(p, (side + 2.5, y_canal + v.canal * 0.6, half * 0.85), (j * 0.6, j, j * 1.05)),
    )
    rear = join(
        3,
        rod(p, (side - 3, y_canal + v.canal, 0), (side - 1, y_canal + v.canal, -half * 0.9), j * 0.8, j * 0.6),
        ball(p, (side - 1, y_canal + v.canal * 0.9, -half * 0.95), (j * 0.6, j * 0.95, j)),
    )
    body = join(5, join(5, centrum, arch), join(4, wing, front, rear), spine)
    hollows = [
        drum(p, (0, y_canal, 0), v.length, v.canal),
        ball(p, (0, 0, half + 13), (v.width, v.height, 15)),
        ball(p, (0, 0, -half - 12), (v.width, v.height, 15)),
    ]
    if v.has_ribs:
        hollows += [ball(p, (v.width + 1, 5, half), 4.5), ball(p, (v.width + 1, 5, -half), 4.0), ball(p, (x + 3, y - 4, z_end), 5)]
    hollows.append(ball(p, (side + 2, y_canal - v.canal * 0.6, -half * 0.85), (5, v.canal * 0.5, 5)))
    return carve(2, body, *hollows)


def atlas(points: Array) -> Array:
    """First neck vertebra: a ring with broad wings, no centrum, two cups for the skull."""
    p = mirrored_x(points)
    loop = ring(p * [0.92, 1, 0.52], (0, 0, 0), 17.5, 5.5)
    wing = plate(p, [(14, -14), (14, 12), (34, 14), (46, 2), (47, -16), (38, -28), (22, -20)], 2.6, 1, -4 - 0.004 * (p[:, 0] - 14) ** 2)
    masses = ball(p, (15, -4, 6), (8, 11, 13))
    knob = np.minimum(ball(p, (0, -19, -4), (4, 4, 7)), ball(p, (0, 20, 2), (4, 4, 8)))
    body = join(5, join(6, loop, masses), wing, knob)
    return carve(2.5, body, rod(p, (0, 2, 40), (0, 2, -40), 10.5), ball(p, (11, 0, 22), (8, 12, 10)), rod(p, (25, 12, 4), (25, -20, 2), 2.8))


def axis(points: Array) -> Array:
    """Second neck vertebra: tooth-like peg in front, blade-shaped spine."""
    p = mirrored_x(points)
    centrum = tube(p, [(0, 0, 14), (0, 0, -24)], [11, 11.5], (1.15, 1, 1))
    peg = tube(p, [(0, 1, 16), (0, 2, 36)], [7.5, 5])
    saddle = ball(p, (12, 0, 17), (9, 10, 5))
    arch = drum(p, (0, 17, -6), 15, 13.5)
    blade = plate(p, [(26, -34), (30, 22), (39, 30), (48, 18), (51, -14), (44, -38)], 2.8, 0, 0.0)
    rear = tube(p, [(11, 20, -14), (13, 21, -29)], [5.5, 5])
    wing = tube(p, [(13, -2, -6), (24, -6, -22)], [5, 3.5])
    body = join(5, join(4, centrum, peg, saddle), arch, blade, join(4, rear, wing))
    return carve(2, body, rod(p, (0, 16, 50), (0, 16, -60), 8.5), ball(p, (0, 0, -48), (14, 13, 15)), rod(p, (15, -2, 10), (17, -4, -30), 2.2))


def sacrum(points: Array) -> Array:
    """Three fused vertebrae with wings that carry the hip bones, one canal through all, two pairs of windows."""
    p = mirrored_x(points)
    body = tube(p, [(0, 2, 36), (0, -2, 2), (0, 1, -36)], [12.5, 9.5, 8.5], (1.35, 0.9, 1))
    wings = join(7, ball(p, (25, 3, 20), (19, 9, 19)), tube(p, [(18, 2, 0), (14, 2, -30)], [6.5, 4.5]))
    roof = tube(p, [(0, 14, 32), (0, 12, 0), (0, 9, -34)], [10, 8.5, 6.5], (1.15, 0.9, 1))
    spines = np.minimum.reduce([tube(p, [(0, 18, z), (0, 33 - i * 5, z - 9)], [3.4, 2.8], (1, 1, 2.2)) for i, z in enumerate((28, 4, -20))])
    joint = tube(p, [(12, 17, 30), (14, 20, 40)], [5, 4.5])
    solid = join(5, join(6, body, wings, roof), spines, joint)
    rough = ball(p, (46, 3, 20), (6, 12, 16))
    windows = [rod(p, (14, -20, 4), (13, 24, 2), 3.2), rod(p, (12, -20, -18), (11, 24, -19), 2.8)]
    return carve(2.5, solid, tube(p, [(0, 14, 60), (0, 10, 0), (0, 8, -60)], [6.5, 5, 3.5], (1.2, 0.8, 1)), rough, *windows)


RIB_LENGTHS = {"rib-01": 92.0, "rib-02": 122.0, "rib-03": 146.0, "rib-04": 164.0}


def rib(p: Array, length: float) -> Array:
    """Curved rib: head and knob at the spine, angle, flat shaft swept backwards, cupped end at the breastbone."""
    t = np.linspace(0.0, 1.0, 13)
    turn = 0.5 - 2.35 * t**0.8
    step = length / 12
    x = np.concatenate([[0], np.cumsum(np.cos(turn[1:])) * step])
    y = np.concatenate([[0], np.cumsum(np.sin(turn[1:])) * step])
    z = -0.22 * length * t**1.4
    radii = 4.0 + 1.2 * t - 1.6 * np.exp(-(((t - 0.12) / 0.08) ** 2)) + 0.9 * np.exp(-(((t - 0.95) / 0.1) ** 2))
    curve = [tuple(k) for k in np.column_stack([x, y, z])]
    shaft = tube(p, curve, list(radii * (length / 150) ** 0.35 * 0.8), (1, 1, 1.75))
    head = ball(p, (-1, -1, 0), (4.6, 4.2, 5.4))
    knob = ball(p, (x[2], y[2] + 2.2, z[2] - 1), (4.8, 3.8, 5.5))
    groove = tube(p, [(a - 4.5, b - 1, c - 6) for a, b, c in curve[3:10]], [2.6] * 7)
    return carve(2, join(5, shaft, head, knob), groove, ball(p, (x[-1] - 3, y[-1] - 9, z[-1] - 1), (4, 6, 5)))


def skull(points: Array) -> Array:
    """Braincase, long snout, open orbits, cheek arches, crest, two condyles round the great foramen, palate and nose opening."""
    p = mirrored_x(points)
    case = join(8, ball(p, (0, 22, 46), (31, 27, 44)), ball(p, (0, 14, 20), (31, 22, 24)))
    roof = tube(p, [(9, 36, 92), (7, 26, 140), (4, 16, 225)], [15, 12, 9])
    snout = tube(p, [(17, 10, 110), (19, 6, 150), (12, 3, 205), (7, 1, 238)], [16, 13, 11, 8], (0.9, 1.1, 1))
    floor = plate(p, [(-27, 104), (27, 104), (28, 150), (18, 205), (11, 240), (-11, 240), (-18, 205), (-28, 150)], 3.0, 1, -8.0)
    brow = tube(p, [(24, 40, 104), (37, 35, 90), (42, 27, 84)], [7, 5, 3.5])
    cheek = tube(p, [(24, 4, 140), (42, 6, 118), (52, 8, 86), (49, 10, 58), (36, 10, 34)], [8, 6, 4.2, 4.5, 7], (0.8, 1.35, 1))
    crest = plate(p, [(42, 4), (48, 40), (46, 84), (58, 30), (59, 6), (50, -6)], 2.6, 0, 0.0)
    nape = plate(p, [(-20, 4), (20, 4), (30, 10), (28, 28), (14, 48), (-14, 48), (-28, 28), (-30, 10)], 3.0, 2, 6 - 0.12 * p[:, 1])
    low = join(4, ball(p, (10, -2, -4), (8, 9, 9)), ball(p, (17, -14, 42), (9, 9, 14)), tube(p, [(26, -2, 8), (27, -18, 6)], [6, 4]))
    wing = plate(p, [(-26, 62), (-2, 50), (4, 112), (-10, 110)], 2.2, 0, 14.0)
    body = join(7, join(8, case, join(10, roof, snout)), floor, join(5, brow, cheek), crest, nape, low, wing)
    holes = [
        ball(p, (37, 26, 112), (15, 16, 17)),
        rod(p, (0, 7, -30), (0, 8, 22), 8.5),
        ball(p, (0, 12, 243), (10, 9, 24)),
        ball(p, (0, -15, 160), (13, 6, 62)),
        rod(p, (30, 14, 158), (12, 12, 148), 3),
        rod(p, (34, 14, 16), (20, 14, 18), 4),
        ball(p, (30, 3, 44), (6, 5, 7)),
        ball(p, (0, -10, 92), (10, 8, 24)),
    ]
    return carve(3, body, *holes)


def jaw(points: Array) -> Array:
    """Lower jaw: two deep branches that meet in front, muscle blade, joint across, hook behind, nerve hole outside."""
    p = mirrored_x(points)
    branch = tube(p, [(4, 3, 236), (9, -1, 215), (18, -4, 165), (26, -6, 110), (33, -2, 62)], [7, 8, 8.5, 9, 9], (0.75, 1.45, 1))
    meet = tube(p, [(0, 2, 232), (0, -3, 196)], [7, 6], (1, 1, 1))
    blade = plate(p, [(-14, 78), (16, 74), (46, 56), (58, 40), (52, 32), (34, 34), (10, 26), (-12, 32)], 3.0, 0, 33 + 0.08 * (78 - p[:, 2]))
    ridge = tube(p, [(36, 8, 78), (38, 42, 58)], [5, 3.5])
    joint = tube(p, [(27, 22, 24), (46, 22, 22)], [6, 5])
    neck = tube(p, [(36, 2, 42), (36, 20, 25)], [7, 5], (0.8, 1, 1))
    hook = tube(p, [(34, -12, 46), (37, -14, 22)], [6, 3.5])
    body = join(6, join(6, branch, meet), join(5, blade, ridge), join(4, joint, neck), hook)
    return carve(2.5, body, ball(p, (43, 18, 54), (7, 14, 11)), rod(p, (30, -3, 182), (12, -3, 186), 2.5), rod(p, (14, 4, 58), (32, 3, 66), 3))


def tooth(p: Array, root: tuple[float, float, float], size: tuple[float, float, float], up: float) -> Array:
    """Crown with cusps on a root: size is half width x, height y, half length z; `up` is 1 in the jaw and -1 in the skull."""
    q = (p - np.asarray(root)) * [1, up, 1]
    w, h, length = size
    crown = ball(q, (0, h * 0.35, 0), (w, h * 0.45, length))
    cusps = [
        rod(q, (0, h * 0.4, k * length * 0.55), (0, h * (0.92 if k else 1.0), k * length * 0.5), w * 0.55, w * 0.22)
        for k in ((-1, 0, 1) if length > 6 else (0,))
    ]
    return join(2.5, crown, rod(q, (0, 0, 0), (0, -h * 0.75, 0), w * 0.75, w * 0.5), *cusps)


# root x, y, z of the left upper row and half width, height, half length; the lower row sits above it, a little forward and narrower
UPPER_TEETH = (
    ((5, -8, 236), (3.4, 13, 3.6)),
    ((13, -8, 214), (5.2, 24, 6.0)),
    ((18.5, -7, 190), (4.2, 12, 7.0)),
    ((22, -7, 170), (5.0, 13, 8.0)),
    ((25, -7, 149), (6.6, 14, 9.5)),
    ((25.5, -7, 127), (7.4, 13, 9.5)),
    ((24, -7, 108), (6.4, 11, 7.5)),
)
LOWER_TEETH = (
    ((4.5, 8, 237), (3.0, 12, 3.4)),
    ((9.5, 8, 222), (4.8, 23, 5.8)),
    ((15, 7, 198), (3.8, 11, 6.6)),
    ((18, 6, 179), (4.4, 12, 7.6)),
    ((21.5, 5, 158), (5.2, 15, 9.6)),
    ((25, 4, 135), (5.6, 13, 9.4)),
    ((28, 4, 113), (5.4, 11, 8.0)),
)
