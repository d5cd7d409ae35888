"""The invented find: every scan with its bone, its damage and the way it was captured. Nothing here is a real animal, place or person."""

from __future__ import annotations

from dataclasses import dataclass

from scanning import Cut, Hole, Lump, Point

TAXON = "Nusquamodon fabulae"
STAGES = {"ind-a": "adult", "ind-b": "adult", "ind-c": "subadult", "ind-d": "adult", "unassociated": "adult"}


@dataclass(frozen=True)
class Scan:
    """One row of bones.csv with everything that the scan needs. `true_side` is given where the row says the wrong side."""

    find: str
    individual: str
    element: str
    side: str
    file: str
    kind: str = "stl"
    unit: str = "mm"
    n_faces: int = 9000
    true_side: str = ""
    cuts: tuple[Cut, ...] = ()
    lumps: tuple[Lump, ...] = ()
    holes: tuple[Hole, ...] = ()
    rests_on: Point | None = None
    floaters: int = 0
    block: Point | None = None
    canal: tuple[float, float, float] | None = None  # half length, radius, y: an unseen stretch of the canal
    has_colour: bool = False
    noise_mm: float = 0.03
    preserved: int = 100
    portion: str = ""
    condition: str = "good"
    pathology: str = ""
    qualifier: str = ""
    remarks: str = ""
    truth: bool = False


SCANS = (
    Scan(
        "a-skull",
        "ind-a",
        "skull",
        "median",
        "arm/a-skull.ply",
        "ply",
        n_faces=21000,
        has_colour=True,
        floaters=4,
        condition="worn",
        holes=(Hole((0, -10, 178), 6), Hole((27, 30, 40), 4)),
        remarks="14 teeth sit loose in their sockets",
    ),
    Scan("a-cervical-01", "ind-a", "cervical-01", "median", "arm/a-cervical-01.ply", "ply", floaters=2),
    Scan("a-cervical-02", "ind-a", "cervical-02", "median", "arm/a-cervical-02.stl", holes=(Hole((13, -2, -10), 3),)),
    Scan(
        "a-thoracic-01",
        "ind-a",
        "thoracic-01",
        "median",
        "arm/a-thoracic-01.ply",
        "ply",
        canal=(4.0, 9.0, 17.5),
        truth=True,
        remarks="middle of the neural canal not seen",
    ),
    Scan(
        "a-thoracic-02",
        "ind-a",
        "thoracic-02",
        "median",
        "arm/a-thoracic-02.stl",
        cuts=(Cut((19, 14, -1), (1, 0.1, 0.2)),),
        preserved=88,
        condition="broken",
        remarks="left transverse process broken off",
    ),
    Scan("a-lumbar-01", "ind-a", "lumbar-01", "median", "loan/a-lumbar-01.3mf", "3mf", floaters=1),
    Scan("a-caudal-01", "ind-a", "caudal-01", "median", "loan/a-caudal-01.stl", "stl-ascii", n_faces=2600),
    Scan("a-rib-01-l", "ind-a", "rib-01", "left", "arm/a-rib-01-l.stl", n_faces=8000),
    Scan("a-rib-01-r", "ind-a", "rib-01", "right", "arm/a-rib-01-r.ply", "ply", n_faces=8000, holes=(Hole((48, -20, -8), 3),)),
    Scan("a-rib-02-r", "ind-a", "rib-02", "right", "arm/a-rib-02-r.ply", "ply", n_faces=8000, rests_on=(0, 0, -1)),
    Scan(
        "a-scapula-l",
        "ind-a",
        "scapula",
        "left",
        "arm/a-scapula-l.ply",
        "ply",
        n_faces=12000,
        holes=(Hole((0, -28, 128), 16),),
        condition="cracked",
        remarks="thin blade broken through; edges kept",
    ),
    Scan("a-humerus-l", "ind-a", "humerus", "left", "arm/a-humerus-l.stl", floaters=3, holes=(Hole((-9, 3, 65), 4),)),
    Scan(
        "a-humerus-r",
        "ind-a",
        "humerus",
        "right",
        "arm/a-humerus-r.ply",
        "ply",
        cuts=(Cut((0, 0, 92), (0.15, 0.1, 1)),),
        preserved=45,
        portion="distal half",
        condition="broken",
    ),
    Scan(
        "a-radius-r",
        "ind-a",
        "radius",
        "right",
        "photo/a-radius-r.obj",
        "obj",
        "cm",
        has_colour=False,
        rests_on=(0, -1, 0),
        remarks="lower face lay on the table",
    ),
    Scan(
        "a-femur-l",
        "ind-a",
        "femur",
        "left",
        "arm/a-femur-l.ply",
        "ply",
        n_faces=14000,
        has_colour=True,
        floaters=3,
        truth=True,
        holes=(Hole((2, -7, 96), 3.6), Hole((-9, 4, 60), 6)),
        remarks="nutrient foramen on the rear face",
    ),
    Scan("a-femur-r", "ind-a", "femur", "right", "arm/a-femur-r.stl", "stl-cut", remarks="file came off a failing disk"),
    Scan(
        "a-tibia-r",
        "ind-a",
        "tibia",
        "right",
        "photo/a-tibia-r.ply",
        "ply",
        "none",
        n_faces=12000,
        has_colour=True,
        noise_mm=0.07,
        floaters=2,
        truth=True,
        holes=(Hole((2, -8, 60), 5),),
        remarks="scale bar of 100 mm beside the bone",
    ),
    Scan("a-hip-bone-l", "ind-a", "hip-bone", "left", "loan/a-hip-bone-l.off", "off", "inch", holes=(Hole((14, 5, 90), 17),), condition="cracked"),
    Scan("b-mandible", "ind-b", "mandible", "median", "arm/b-mandible.ply", "ply", n_faces=13000, has_colour=True, floaters=2),
    Scan("b-cervical-03", "ind-b", "cervical-03", "median", "arm/b-cervical-03.stl"),
    Scan(
        "b-sacrum", "ind-b", "sacrum", "median", "loan/b-sacrum.glb", "glb", "m", block=(0, -1, 0.1), remarks="stood on a clay block, scanned with it"
    ),
    Scan("b-ulna-l", "ind-b", "ulna", "left", "ct/b-ulna-l.stl", "stl", "m", truth=True),
    Scan("b-fibula-r", "ind-b", "fibula", "right", "ct/b-fibula-r.ply", "ply", "m", n_faces=8000),
    Scan("b-rib-04-l", "ind-b", "rib-04", "left", "arm/b-ribs-tray.ply", "ply", n_faces=8000, remarks="two ribs on one tray"),
    Scan("b-rib-03-l", "ind-b", "rib-03", "left", "arm/b-ribs-tray.ply", "ply", n_faces=8000, remarks="two ribs on one tray"),
    Scan("b-humerus-l", "ind-b", "humerus", "left", "arm/b-humerus-l.stl", rests_on=(1, 0, 0)),
    Scan("b-femur-l", "ind-b", "femur", "left", "loan/b-femur-l.3mf", "3mf", "inch"),
    Scan("c-thoracic-04", "ind-c", "thoracic-04", "median", "arm/c-thoracic-04.ply", "ply"),
    Scan("c-humerus-r", "ind-c", "humerus", "right", "arm/c-humerus-r.stl", true_side="left", remarks="label faded"),
    Scan("c-humerus-2", "ind-c", "humerus", "right", "arm/c-humerus-2.stl"),
    Scan("c-ulna-r", "ind-c", "ulna", "right", "arm/c-ulna-r.ply", "ply", floaters=2, truth=True),
    Scan("c-femur-l", "ind-c", "femur", "left", "photo/c-femur-l.obj", "obj", "cm", holes=(Hole((9, 6, 100), 5),)),
    Scan(
        "c-tibia-l",
        "ind-c",
        "tibia",
        "left",
        "ct/c-tibia-l.stl",
        "stl",
        "m",
        cuts=(Cut((-1, 0, 24), (0.2, 0, -1)),),
        preserved=84,
        portion="without the lower end",
        condition="broken",
    ),
    Scan("c-rib-04-r", "ind-c", "rib-04", "right", "arm/c-rib-04-r.ply", "ply", n_faces=8000),
    Scan("c-scapula-r", "ind-c", "scapula", "right", "loan/c-scapula-r.glb", "glb", "m", n_faces=11000),
    Scan("c-cervical-02", "ind-c", "cervical-02", "median", "arm/c-cervical-02.ply", "ply", rests_on=(0, -1, 0)),
    Scan("d-lumbar-02", "ind-d", "lumbar-02", "median", "arm/d-lumbar-02.stl"),
    Scan(
        "d-radius-l",
        "ind-d",
        "radius",
        "left",
        "loan/d-radius-l.off",
        "off",
        lumps=(Lump((2, 8, 88), 9.5),),
        pathology="healed fracture of the shaft",
    ),
    Scan("d-hip-bone-r", "ind-d", "hip-bone", "right", "ct/d-hip-bone-r.ply", "ply", "m"),
    Scan("d-cervical-01", "ind-d", "cervical-01", "median", "arm/d-cervical-01.stl", holes=(Hole((40, -6, 0), 4),)),
    Scan("d-rib-01-r", "ind-d", "rib-01", "right", "arm/d-rib-01-r.ply", "ply", n_faces=8000, floaters=2),
    Scan(
        "u-thoracic-03",
        "unassociated",
        "thoracic-03",
        "median",
        "arm/u-thoracic-03.ply",
        "ply",
        qualifier="cf.",
        remarks="found loose on the spoil heap",
    ),
    Scan(
        "u-fibula-l",
        "unassociated",
        "fibula",
        "left",
        "photo/u-fibula-l.ply",
        "ply",
        "none",
        n_faces=8000,
        has_colour=True,
        remarks="no scale bar; two lengths taken",
    ),
)

# bones measured in the collection without being scanned: they carry size factors between individuals
MEASURED_ONLY = (
    ("ind-b", "tibia", "left"),
    ("ind-b", "radius", "right"),
    ("ind-b", "lumbar-01", "median"),
    ("ind-b", "cervical-02", "median"),
    ("ind-b", "rib-01", "left"),
    ("ind-c", "radius", "left"),
    ("ind-c", "hip-bone", "left"),
    ("ind-c", "lumbar-01", "median"),
    ("ind-c", "rib-01", "right"),
    ("ind-d", "femur", "left"),
    ("ind-d", "tibia", "right"),
    ("ind-d", "humerus", "left"),
    ("ind-d", "lumbar-01", "median"),
    ("ind-d", "cervical-02", "median"),
)

SKELETON = """element,pairing,series,position,region,group,uberon,homologue_key,joins
skull,median,,,head,head,UBERON:0003128,,mandible cervical-01
mandible,median,,,head,head,UBERON:0001684,,
cervical,median,cervical,1..3,neck,vertebra,UBERON:0002413,,
thoracic,median,thoracic,1..4,chest,vertebra,UBERON:0002347,,after:cervical
lumbar,median,lumbar,1..2,loin,vertebra,UBERON:0002414,,after:thoracic
sacrum,median,,,hip,vertebra,UBERON:0003690,,lumbar-02
caudal,median,caudal,1..3,tail,vertebra,UBERON:0001095,,after:sacrum
rib,paired,rib,1..4,chest,rib,UBERON:0002228,,thoracic-* apart
sternum,median,,,chest,rib,UBERON:0000975,,rib
scapula,paired,,,shoulder,forelimb,UBERON:0006849,,
humerus,paired,,,upper arm,forelimb,UBERON:0000976,,scapula
radius,paired,,,forearm,forelimb,UBERON:0001423,,humerus ulna
ulna,paired,,,forearm,forelimb,UBERON:0001424,,humerus
hip-bone,paired,,,hip,hindlimb,UBERON:0001272,,sacrum opposite
femur,paired,,,thigh,hindlimb,UBERON:0000981,,hip-bone
tibia,paired,,,lower leg,hindlimb,UBERON:0000979,,femur fibula
fibula,paired,,,lower leg,hindlimb,UBERON:0001446,,
"""

CONFIG = """# The invented demo find from Nowhere Pit, Isle of Nusquam. Two skeletons are made from it.
targets:
  adult:
    individual: ind-a
  small:
    individual: ind-c

scans:
  folders:
    arm:
      unit: mm
      capture: structured light
    ct:
      unit: m
      capture: computed tomography

clean:
  part_tolerance_mm: 0.5
  floater_area_percent: 0.2        # the front teeth are small against the skull

class_order:
  default: [OWN, OWN-R, OWN-C, DON, DON-R]

# Two bones are made ready for a small printer; the others wait for a decision on their route.
routes:
  adult/tibia-left: [desk-printer]
  adult/rib-01-left: [desk-printer]

machines:
  desk-printer:
    route: print
    build_x_mm: 130
    build_y_mm: 130
    build_z_mm: 130
"""

DECISIONS = """target,element,find,kind,value,by,date,reason,evidence_key
adult,caudal-03,,class,NONE,palaeontologist in charge,2031-03-04,the mount ends behind the second tail vertebra,
small,mandible,b-mandible,donor,,palaeontologist in charge,2031-03-04,no other jaw in the find; made smaller than a donor usually is,
adult,lumbar-02,,factor,1.21,palaeontologist in charge,2031-03-05,end faces must meet those of lumbar-01,
"""
