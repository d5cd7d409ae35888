"""Long bones, shoulder and hip of the invented animal, as fields of left bones.

Frame: x lateral (away from the body), y cranial (forward), z up along the limb, in millimetres of the adult. The right bone is the
reflection of the left one across x = 0.
"""

from __future__ import annotations

import numpy as np
from fields import Array, ball, carve, drum, join, plate, rod, tube


def femur(p: Array) -> Array:
    """Thigh bone: round head on a neck, greater trochanter with its pit, two condyles and a groove for the kneecap."""
    shaft = tube(p, [(0, 0, 22), (1, 5, 70), (1, 6, 120), (2, 1, 188)], [13, 9.5, 9.2, 12], (1.08, 1, 1))
    head = join(5, ball(p, (-26, 3, 199), 13.5), rod(p, (0, 0, 182), (-20, 2, 196), 10, 8))
    tops = join(6, ball(p, (15, -4, 194), (8, 12, 21)), rod(p, (15, -6, 178), (8, -8, 158), 6, 3))
    small = ball(p, (-11, -9, 163), (5, 5, 9))
    third = tube(p, [(10, -3, 150), (14, -4, 132), (10, -2, 112)], [2.5, 4, 2.5], (1, 1, 1.5))
    inner, outer = ball(p, (-14, -9, 17), (9.5, 19, 16)), ball(p, (13, -8, 18), (9, 17, 15))
    ridges = np.minimum(tube(p, [(-9, 5, 10), (-10, 15, 22), (-8, 13, 46)], [7, 6, 4]), tube(p, [(9, 5, 10), (9, 13, 22), (8, 11, 44)], [7, 5, 4]))
    body = join(8, join(8, shaft, head, tops), join(5, inner, outer, ridges), small, third)
    pits = [ball(p, (7, -17, 186), (6, 8, 12)), ball(p, (-1, -21, 6), (5, 17, 15)), ball(p, (-36, 1, 203), 4), ball(p, (0, 22, 24), (4, 6, 20))]
    return carve(3, body, *pits)


def humerus(p: Array) -> Array:
    """Upper arm: head to the rear, two tubercles with a groove between, crest for the deltoid muscle, spool-shaped elbow joint."""
    shaft = tube(p, [(0, -1, 22), (-1, 3, 65), (1, 0, 115), (0, -3, 162)], [10, 8.5, 10, 13], (1, 1.12, 1))
    head = ball(p, (-3, -9, 168), (15, 17, 14))
    tubercles = np.minimum(ball(p, (13, 9, 174), (8, 13, 17)), ball(p, (-13, 7, 166), (6, 8, 11)))
    crest = tube(p, [(12, 11, 160), (11, 14, 130), (8, 11, 98), (3, 7, 80)], [5, 4.5, 4, 3])
    spool = join(4, drum(p, (-9, 2, 11), 6.5, 12.5, 0), drum(p, (0, 2, 12), 7, 9.3, 0), drum(p, (10, 2, 12), 7, 11.5, 0))
    sides = np.minimum(ball(p, (-19, -6, 19), (6, 8, 10)), ball(p, (17, -3, 21), (5, 7, 13)))
    supra = tube(p, [(16, -4, 24), (13, -4, 42), (8, -2, 60)], [4, 3, 2])
    body = join(8, join(7, shaft, head, tubercles), crest, supra, join(5, spool, sides))
    pits = [rod(p, (0, 20, 186), (-1, 17, 150), 5), ball(p, (0, -15, 30), (8, 8, 12)), ball(p, (1, 16, 28), (8, 6, 8))]
    return carve(3, body, *pits)


def radius(p: Array) -> Array:
    """Front bone of the forearm: oval cupped head, bowed flat shaft, wide lower end with a pointed inner corner."""
    shaft = tube(p, [(0, 0, 14), (1, 7, 55), (0, 8, 100), (-1, 1, 146)], [9, 6.2, 6, 7], (1.35, 1, 1))
    head = ball(p, (0, 0, 151), (15, 9.5, 8))
    tuber = ball(p, (-7, -6, 131), (5, 4, 8))
    foot = join(4, ball(p, (0, 1, 14), (16, 10, 13)), ball(p, (-11, 0, 4), (5, 6, 9)))
    ridge = tube(p, [(4, 10, 30), (3, 11, 10)], [3, 3])
    cups = [ball(p, (0, 2, 166), (13, 9, 12)), ball(p, (3, -2, -8), (10, 9, 13)), rod(p, (-3, 13, 30), (-3, 13, 2), 3)]
    return carve(3, join(7, shaft, head, tuber, join(3, foot, ridge)), *cups)


def ulna(p: Array) -> Array:
    """Rear bone of the forearm: elbow process, half-moon joint notch, tapering shaft, small peg at the lower end."""
    shaft = tube(p, [(1, -2, 10), (2, -4, 60), (0, -7, 110), (0, -6, 150)], [4.5, 5.2, 7, 9], (1, 1.25, 1))
    hook = join(6, tube(p, [(0, -5, 150), (-1, -9, 176), (-3, -9, 194)], [8, 7.5, 8], (0.85, 1.4, 1)), ball(p, (1, 3, 173), (6, 7, 6)))
    beak = join(5, ball(p, (-8, 5, 141), (7, 8, 6)), ball(p, (7, 3, 140), (5, 6, 6)))
    peg = ball(p, (2, 1, 5), (5.5, 6.5, 9))
    body = join(7, shaft, hook, beak, peg)
    return carve(2.5, body, drum(p, (0, 10, 156), 16, 12, 0), ball(p, (6, 8, 132), (5, 6, 8)))


def tibia(p: Array) -> Array:
    """Shin bone: two plateaus with a double spine, strong crest in front, two grooves and an inner ankle knob below."""
    shaft = tube(p, [(-1, 0, 16), (2, -1, 60), (1, 0, 110), (0, 0, 150), (0, -2, 177)], [9.5, 8, 9.5, 13, 16], (1.12, 1, 1))
    plateaus = join(6, ball(p, (-14, -3, 180), (13, 16, 9)), ball(p, (13, -5, 180), (12, 15, 9)))
    spines = np.minimum(ball(p, (-4, -3, 190), (3, 6, 6)), ball(p, (4, -4, 189), (3, 5, 5)))
    crest = tube(p, [(1, 17, 172), (4, 19, 150), (4, 13, 115), (1, 7, 85)], [8, 6, 4, 3], (0.8, 1, 1))
    ankle = join(4, ball(p, (0, 0, 12), (15, 12, 11)), ball(p, (-13, 1, 2), (6.5, 9, 11)))
    body = join(8, join(3, join(14, shaft, plateaus), spines), crest, ankle)
    grooves = [
        rod(p, (-5, 16, -3), (-6, -16, 0), 6),
        rod(p, (7, 16, 1), (6, -16, 3), 6),
        ball(p, (0, -23, 178), (6, 11, 16)),
        rod(p, (14, 18, 186), (13, 14, 168), 4),
    ]
    return carve(3, body, *grooves)


def fibula(p: Array) -> Array:
    """Thin outer bone of the lower leg, flat at the top, with the outer ankle knob below."""
    shaft = tube(p, [(0, 0, 14), (2, 1, 60), (2, -2, 115), (0, -2, 166)], [4.2, 3.4, 3.6, 4.5], (1, 1.2, 1))
    top = ball(p, (-1, -2, 170), (5, 10, 9))
    knob = join(4, ball(p, (1, -1, 10), (5.5, 9, 13)), ball(p, (3, -7, 5), (3.5, 4, 8)))
    return carve(2, join(6, shaft, top, knob), rod(p, (8, -4, 0), (7, -3, 20), 2.5), ball(p, (-9, -1, 176), (6, 9, 7)))


def scapula(p: Array) -> Array:
    """Shoulder blade: thin curved blade, spine with acromion on the outer face, cupped joint, hooked coracoid."""
    y, z = p[:, 1], p[:, 2]
    middle = -6 + 0.0016 * (z - 70) ** 2 + 0.0012 * y**2
    blade = plate(
        p, [(-9, 6), (9, 6), (15, 32), (47, 84), (52, 128), (36, 158), (-8, 170), (-42, 160), (-48, 142), (-24, 84), (-9, 34)], 2.4, 0, middle
    )
    rear = tube(p, [(2, -9, 12), (-3, -19, 70), (3, -46, 142)], [5, 4, 3.5])
    front = tube(p, [(2, 10, 12), (-2, 15, 34), (-3, 46, 88)], [4, 3, 2.5])
    fin = plate(p, [(-6, 160), (-6, 30), (12, 14), (25, 6), (27, 16), (19, 60), (12, 120)], 2.2, 1, 4 - 0.06 * z)
    edge = tube(p, [(12, 1, 120), (19, 2, 60), (25, 4, 16), (25, 8, 6)], [3, 3.6, 4.5, 4], (1, 1.3, 1))
    joint = join(6, ball(p, (3, 0, 4), (12, 16, 12)), rod(p, (2, 0, 8), (-2, 1, 36), 10, 6))
    beak = tube(p, [(0, 12, 6), (-7, 19, 4), (-12, 17, 1)], [6, 5, 3.5])
    body = join(5, blade, rear, front, join(4, fin, edge), joint, beak)
    return carve(2, body, ball(p, (3, -1, -17), (13, 17, 17)))


def hip_bone(p: Array) -> Array:
    """One half of the pelvis: flaring ilium, deep cup for the femur, ischium, pubis and the window between them (z points forward)."""
    y, z = p[:, 1], p[:, 2]
    middle = 4 + 0.002 * np.maximum(z - 20, 0) ** 2 + 0.06 * y
    wing = plate(p, [(-10, 10), (10, 10), (13, 45), (36, 78), (45, 106), (22, 126), (-20, 122), (-31, 100), (-15, 50)], 3.4, 0, middle)
    rim = tube(p, [(20, 42, 103), (26, 22, 122), (25, -16, 119), (18, -28, 102)], [4, 5, 5, 4])
    pillar = tube(p, [(4, 0, 4), (4, 1, 30), (7, 0, 60)], [13, 9, 5], (0.85, 1.2, 1))
    sit = tube(p, [(2, 8, -10), (2, 14, -45), (4, 16, -76), (6, 10, -88)], [10, 8, 8, 9], (0.85, 1, 1))
    ramus = tube(p, [(4, 9, -84), (-14, -14, -78), (-29, -29, -58)], [8.5, 7, 8])
    pubis = tube(p, [(0, -10, 4), (-14, -24, -6), (-28, -30, -24)], [10, 8, 9])
    seam = tube(p, [(-31, -31, -24), (-31, -31, -60)], [8.5, 8.5], (0.8, 1.2, 1))
    cup = ball(p, (8, 0, 0), (17, 20, 20))
    body = join(7, wing, pillar, join(5, sit, ramus, pubis, seam), cup, rim)
    return carve(3, body, ball(p, (24, -1, 0), 16), ball(p, (19, -17, -13), 6), p[:, 0] + 33)
