"""Value types that every other module speaks in: meshes, finds, elements, recipes, records and findings.

All of them are frozen. Lengths are millimetres unless a name says otherwise; angles are degrees.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from functools import cache
from typing import Any

import numpy as np

from meshtools.model_fixings import Fixing as Fixing
from meshtools.model_mesh import ColourArray as ColourArray
from meshtools.model_mesh import FloatArray as FloatArray
from meshtools.model_mesh import IntArray as IntArray
from meshtools.model_mesh import Mesh as Mesh
from meshtools.model_mesh import RawScan as RawScan
from meshtools.model_mesh import Reduction as Reduction
from meshtools.model_mesh import SourceArray as SourceArray
from meshtools.model_pose import JointPose as JointPose
from meshtools.model_received import Received as Received
from meshtools.settings import Settings
from meshtools.units import MM_PER_UNIT as MM_PER_UNIT
from meshtools.units import Unit as Unit


class EvidenceClass(StrEnum):
    """Where the surface of an element comes from, best evidence first."""

    OWN = "OWN"  # this animal's own bone, scanned
    OWN_R = "OWN-R"  # its own counterpart of the other side, reflected
    OWN_C = "OWN-C"  # its own bone, partly rebuilt from its other half or counterpart
    DON = "DON"  # another individual's bone of the same side, scaled
    DON_R = "DON-R"  # another individual's bone of the other side, reflected and scaled
    INT = "INT"  # interpolated between neighbours of a series
    EXT = "EXT"  # extrapolated beyond the end of a series
    SCU = "SCU"  # modelled by hand
    NONE = "NONE"  # left out, a decision
    FILL = "FILL"  # a closed hole or a seam: nobody's bone
    MADE = "MADE"  # pins, cut planes, sockets: nobody's bone


class Side(StrEnum):
    """Side of the body as written in the register."""

    LEFT = "left"
    RIGHT = "right"
    MEDIAN = "median"
    UNKNOWN = "unknown"

    @property
    def opposite(self) -> Side:
        """The other side; median and unknown are their own opposite."""
        return {Side.LEFT: Side.RIGHT, Side.RIGHT: Side.LEFT}.get(self, self)


class Severity(StrEnum):
    """What a finding asks of the reader: nothing, a person's decision, or that the part is not used."""

    NOTE = "note"
    REVIEW = "review"
    FAILED = "failed"


class Origin(StrEnum):
    """How a face came to be."""

    SCANNED = "scanned"
    FILLED = "filled"
    SEAM = "seam"
    MADE = "made"


@dataclass(frozen=True)
class SourceEntry:
    """One row of a record's source table, the meaning of a face's `source` number."""

    evidence: EvidenceClass = field(metadata={"json": "class"})
    find: str
    origin: Origin


@dataclass(frozen=True)
class Finding:
    """Something a person should know. `value` and `limit` carry the figures behind the sentence, in `unit`."""

    severity: Severity
    code: str
    message: str
    value: float | int | str | None = None
    limit: float | int | str | None = None
    unit: str = ""


@dataclass(frozen=True)
class Caliper:
    """A length taken on the real bone with a caliper and the closed-list name of what was measured."""

    length_mm: float
    measure: str


@dataclass(frozen=True)
class ScalePoints:
    """Two marked points in scan coordinates, a known distance apart, that give a model without unit its scale."""

    a: tuple[float, float, float]
    b: tuple[float, float, float]
    distance_mm: float


@dataclass(frozen=True)
class Find:
    """One scanned piece: one row of bones.csv. `element` is the element's name without its side."""

    row: int
    find: str
    element: str
    side: Side
    organism_id: str
    scan: str
    unit: Unit
    unit_source: str = "row"
    capture: str = ""
    capture_source: str = "row"
    catalog_number: str = ""
    scientific_name: str = ""
    identification_qualifier: str = ""
    life_stage: str = ""
    portion: str = ""
    preserved_percent: float | None = None
    condition: str = ""
    pathology: str = ""
    deformation: str = ""
    caliper: Caliper | None = None
    second_caliper: Caliper | None = None
    scale_points: ScalePoints | None = None
    pieces: tuple[int, ...] = ()
    support: str = ""  # what a person said about a table or block in the scan: keep (it is bone), remove, or nothing
    part_of: str = ""  # the find that this is a further scan or piece of
    replaces: str = ""  # the find whose scan this one takes the place of
    identified_by: str = ""
    remarks: str = ""


@dataclass(frozen=True)
class Element:
    """One place in the skeleton: one row (or one position of a ranged row) of skeleton.csv."""

    name: str
    side: Side
    series: str = ""
    position: int | None = None
    region: str = ""
    group: str = ""
    uberon: str = ""
    homologue_key: str = ""
    joins: tuple[str, ...] = ()

    @property
    def slug(self) -> str:
        """`femur-left` for a paired element, `skull` or `caudal-07` for a median one."""
        return self.name if self.side is Side.MEDIAN else f"{self.name}-{self.side.value}"


@dataclass(frozen=True)
class Target:
    """The animal that a skeleton is made for: an individual of the register, or a stated size relative to one."""

    name: str
    individual: str
    size_factor: float = 1.0

    @property
    def is_individual(self) -> bool:
        """True where the target is the individual itself, so that its bones are OWN."""
        return self.size_factor == 1.0


@dataclass(frozen=True)
class Measurement:
    """One row of measurements.csv, brought to millimetres."""

    row: int
    organism_id: str
    element: str
    side: Side
    measurement_type: str
    value_mm: float
    find: str = ""
    method: str = ""
    determined_by: str = ""
    determined_date: str = ""


@dataclass(frozen=True)
class Decision:
    """One row of decisions.csv: what a person decided about an element or a find, and why."""

    row: int
    target: str
    element: str
    find: str
    kind: str
    value: str
    by: str
    date: str
    reason: str
    evidence_key: str = ""


@dataclass(frozen=True)
class Opening:
    """One row of openings.csv: a hole or support block of a scan that a person has named. Coordinates in scan units.

    A kept hole whose inside was not scanned is cut into the closed replica: to `depth_mm` as a blind pit, or as a tunnel between the two
    rows of a find that have the same word in `passage`.
    """

    row: int
    find: str
    kind: str
    x: float
    y: float
    z: float
    diameter_mm: float
    action: str
    depth_mm: float | None = None
    passage: str = ""

    @property
    def is_cut(self) -> bool:
        """True where the hole is cut into the replica."""
        return self.action == "keep" and bool(self.depth_mm or self.passage)


@dataclass(frozen=True)
class Pose:
    """One row of poses.csv: where a find lies in a common frame. matrix (16,): frame from scan, 4 x 4 row by row, in mm."""

    row: int
    find: str
    frame: str
    matrix: tuple[float, ...]
    by: str = ""


@dataclass(frozen=True)
class Attempt:
    """A way of filling an element that was looked at and not taken, with the reason."""

    evidence: EvidenceClass = field(metadata={"json": "class"})
    find: str
    why: str


@dataclass(frozen=True)
class Recipe:
    """How one element of one target is made. `status` is planned, ask (a person is needed) or gap.

    Several finds are pieces or scans of one bone, the first one gives the frame. Of class OWN-C they are kept as they are; the missing part
    comes from the bone's own other half, or from `partner`, the counterpart, which is the last find then. A partner may also be another
    find that a person named, of any class.
    `plane` is the symmetry plane a person chose, normal and offset in mm of the clean surface; `missing_percent` what the register says is
    missing. Of class INT two finds are the neighbours before and after, and `fraction` the element's share of the way between them; one find is a
    neighbour that is only scaled.
    """

    target: str
    element: str
    evidence: EvidenceClass = field(metadata={"json": "class"})
    finds: tuple[str, ...]
    reflect: bool
    factor: float
    factor_interval: tuple[float, float] | None
    factor_basis: str
    reason: str
    tried: tuple[Attempt, ...]
    status: str
    findings: tuple[Finding, ...] = ()
    model_file: str = ""
    plane: tuple[float, float, float, float] | None = None
    missing_percent: float | None = None
    fraction: float = 0.0
    partner: str = ""
    partner_reflect: bool = True
    partner_factor: float = 1.0  # from the partner to the kept find
    partner_class: EvidenceClass = EvidenceClass.OWN_C


@dataclass(frozen=True)
class Register:
    """All tables of a batch, read and cross-checked. `findings` are contradictions that a person must look at."""

    targets: tuple[Target, ...]
    elements: tuple[Element, ...]
    finds: tuple[Find, ...]
    measurements: tuple[Measurement, ...]
    decisions: tuple[Decision, ...]
    openings: tuple[Opening, ...]
    settings: Settings
    findings: tuple[Finding, ...] = ()
    min_individuals: int = 0
    poses: tuple[Pose, ...] = ()
    joint_poses: tuple[JointPose, ...] = ()
    fixings: tuple[Fixing, ...] = ()
    received: tuple[Received, ...] = ()


@dataclass(frozen=True)
class NextStep:
    """One scan, measurement or decision that would improve the plan, with the elements it helps."""

    action: str  # measure, scan, decide, rescan, more (how many are not listed); after a build also mend, look, make, sign
    message: str
    elements: tuple[str, ...]


@dataclass(frozen=True)
class Plan:
    """The gap list with a recipe for every element of every target.

    completeness maps a target to {"by_count": .., "sides_pooled": ..} with numbers, each labelled.
    """

    recipes: tuple[Recipe, ...]
    completeness: Mapping[str, Mapping[str, Any]]
    findings: tuple[Finding, ...]
    next_steps: tuple[NextStep, ...]


@dataclass(frozen=True)
class FileEntry:
    """A file that a job wrote, by its path inside the batch and its content."""

    path: str
    sha256: str


@dataclass(frozen=True)
class Record:
    """What a job did. Holds no time, host, absolute path or memory figure, so equal work gives equal bytes."""

    stage: str
    key: str
    status: str  # ok, review or failed
    facts: Mapping[str, Any]
    findings: tuple[Finding, ...]
    sources: tuple[SourceEntry, ...]
    files: tuple[FileEntry, ...]


@dataclass(frozen=True, eq=False)
class StageResult:
    """What a geometric stage hands back: the mesh, its source table, plain facts and findings."""

    mesh: Mesh
    sources: tuple[SourceEntry, ...]
    facts: Mapping[str, Any]
    findings: tuple[Finding, ...]


def status_of(findings: tuple[Finding, ...]) -> str:
    """Record status that follows from its findings: failed, review or ok."""
    severities = {finding.severity for finding in findings}
    if Severity.FAILED in severities:
        return "failed"
    return "review" if Severity.REVIEW in severities else "ok"


def plain(value: Any) -> Any:
    """Turn value types into dicts, lists, strings and numbers, ready for JSON. Field metadata `json` renames a key."""
    kind: Any = type(value)
    if kind in (str, int, float, bool, type(None)):
        return value
    if (keys := _keys_of(kind)) is not None:
        return {key: plain(getattr(value, name)) for key, name in keys}
    if isinstance(value, StrEnum):
        return value.value
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, (tuple, list)):
        return [plain(item) for item in value]
    if isinstance(value, np.generic):
        return value.item()
    if isinstance(value, np.ndarray):
        return value.tolist()
    return value


@cache
def _keys_of(kind: Any) -> tuple[tuple[str, str], ...] | None:
    """Key in the dict and name of each field of a dataclass; None for what is none."""
    is_dataclass = dataclasses.is_dataclass(kind)
    return tuple((one.metadata.get("json", one.name), one.name) for one in dataclasses.fields(kind)) if is_dataclass else None
