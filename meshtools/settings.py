"""The settings of each stage: one frozen dataclass a stage, every field with its bounds and a one-sentence meaning."""

from __future__ import annotations

from dataclasses import dataclass, field

from meshtools.bounds import bounded as bounded
from meshtools.settings_cnc import CncSettings
from meshtools.settings_fixings import FixingSettings
from meshtools.settings_mould import MouldSettings
from meshtools.settings_print import PrintSettings
from meshtools.settings_ready import EstimateSettings, Machine, Material, ReceiveSettings


@dataclass(frozen=True)
class CleanSettings:
    """How a raw scan becomes a clean surface."""

    part_tolerance_mm: float = bounded(0.5, 0.01, 10.0, "Tolerance of the finished part at target size; decimation may spend a quarter.")
    caliper_limit_percent: float = bounded(0.5, 0.01, 20.0, "Largest accepted difference between mesh and caliper, in percent.")
    caliper_limit_mm: float = bounded(0.3, 0.01, 50.0, "Largest accepted difference between mesh and caliper, where larger than the percentage.")
    close_holes_up_to_mm: float = bounded(5.0, 0.0, 500.0, "Holes whose rim spans at most this far are closed while cleaning.")
    floater_area_percent: float = bounded(0.5, 0.0, 10.0, "A loose piece below this share of the largest piece's area is a floater.")
    floater_budget_percent: float = bounded(2.0, 0.0, 50.0, "Review when floaters removed exceed this share of the whole area.")
    comparable_piece_percent: float = bounded(20.0, 1.0, 100.0, "Separate pieces above this share of the largest are reported as comparable.")
    filled_area_review_percent: float = bounded(5.0, 0.0, 100.0, "Review when filled faces exceed this share of the area.")
    fill_span_review_percent: float = bounded(10.0, 0.0, 100.0, "Review when one fill spans more than this share of the length.")
    scale_difference_review_percent: float = bounded(0.5, 0.0, 20.0, "Review when two lengths that give the scale disagree by more than this.")
    repair_removed_percent: float = bounded(5.0, 0.0, 50.0, "Mending one kind of defect may take away this share of the area; else review.")
    repair_invented_percent: float = bounded(2.0, 0.0, 50.0, "Mending one kind of defect may fill this share of the area; else review.")
    repair_volume_percent: float = bounded(1.0, 0.0, 50.0, "Mending one kind of defect may change the volume by this share; else review.")
    doubled_layer_up_to_mm: float = bounded(
        0.5, 0.0, 10.0, "A sheet so near above the skin is a second layer; up to twice as far it is asked about, as is a body that is there "
        "twice, up to twice as far or a fortieth of its diagonal.",
    )  # fmt: skip
    doubled_layer_area_percent: float = bounded(25.0, 0.0, 100.0, "Second layers up to this share of the area are taken off; else review.")
    most_faces: int = bounded(12_000_000, 1_000, 50_000_000, "A scan with more faces is reduced on reading to at most so many.")


@dataclass(frozen=True)
class RebuildSettings:
    """How clean surfaces become a replica."""

    close_rims_up_to_mm: float = bounded(25.0, 0.0, 2000.0, "Open rims up to this span are closed; a larger one that nobody named needs a person.")
    pin_diameter_mm: float = bounded(0.0, 0.0, 50.0, "Diameter of the made pin that joins loose bodies; 0 leaves them as bodies of their own.")
    natural_asymmetry_length_percent: float = bounded(1.0, 0.0, 10.0, "Left-right difference of limb-bone lengths that is natural (from memory).")
    natural_asymmetry_breadth_percent: float = bounded(5.0, 0.0, 20.0, "Left-right difference of limb-bone breadths that is natural (from memory).")
    filled_area_review_percent: float = bounded(5.0, 0.0, 100.0, "Review when filled faces exceed this share of the area.")
    fill_span_review_percent: float = bounded(10.0, 0.0, 100.0, "Review when one fill spans more than this share of the length.")


@dataclass(frozen=True)
class RestoreSettings:
    """How lost parts of a bone are taken over from its other half or its counterpart. Percentages of length are of the bone's diagonal."""

    plane_rotation_deg: float = bounded(0.1, 0.001, 5.0, "How sure the given mirror plane is: standard deviation of its direction.")
    plane_shift_percent: float = bounded(0.1, 0.001, 5.0, "How sure the given mirror plane is: standard deviation of its place.")
    counterpart_rotation_deg: float = bounded(2.0, 0.001, 45.0, "How sure the counterpart's given pose is: standard deviation of its turn.")
    counterpart_shift_percent: float = bounded(2.0, 0.001, 50.0, "How sure the counterpart's given pose is: standard deviation of its shift.")
    patch_percent: float = bounded(10.0, 0.1, 100.0, "Differences between two bones are alike within this distance.")
    least_difference_percent: float = bounded(0.05, 0.001, 10.0, "Two bones are taken to differ by this much where a fragment seems to fit better.")
    same_skin_percent: float = bounded(1.5, 0.01, 10.0, "Skin of both bones that is farther apart than this is not the same skin.")
    seam_width_percent: float = bounded(0.05, 0.001, 2.0, "Least width of the seam between original and taken-over skin.")
    fade_percent: float = bounded(20.0, 0.5, 100.0, "A difference at the seam fades within about this distance on the taken-over side.")
    fade_short_percent: float = bounded(3.0, 0.1, 100.0, "The part of a difference that is particular to one place fades within about this distance.")
    least_patch_percent: float = bounded(0.01, 0.0, 5.0, "Patches below this share of the surface are neither taken over nor given up.")


@dataclass(frozen=True)
class PlanSettings:
    """How the gap list is filled."""

    own_preserved_percent: float = bounded(60.0, 0.0, 100.0, "An own bone preserved less than this needs a person to beat a whole counterpart.")
    restore_below_percent: float = bounded(95.0, 0.0, 100.0, "An own bone preserved less than this is completed from its other half or counterpart.")
    factor_low: float = bounded(0.8, 0.1, 1.0, "Factors at or below this ask for review.")
    factor_high: float = bounded(1.25, 1.0, 10.0, "Factors at or above this ask for review.")
    min_lengths: int = bounded(3, 1, 100, "Fewer shared measurements than this ask for review.")
    max_ln_sd: float = bounded(0.05, 0.0, 1.0, "Review when the standard deviation of ln r exceeds this.")
    max_half_width: float = bounded(0.03, 0.0, 1.0, "Review when the interval's half-width exceeds this share of the factor.")
    immature_stages: tuple[str, ...] = bounded(("juvenile", "subadult", "immature", "infant", "neonate"), None, None,
                                               "Life stages whose bones are not enlarged without a person.")


@dataclass(frozen=True)
class FitSettings:
    """How neighbours that come from different sources are held against each other."""

    joint_width_review_percent: float = bounded(10.0, 0.1, 100.0, "Review when two joint ends differ by more than this from one individual's.")
    joint_gap_review_percent: float = bounded(5.0, 0.01, 100.0, "Review when a joint's least gap exceeds this share of the smaller bone's diagonal.")
    joint_overlap_review_percent: float = bounded(0.5, 0.0, 100.0, "Review when bones overlap by more than this share of the smaller one's diagonal.")


@dataclass(frozen=True)
class ReportSettings:
    """How a bone's page is made."""

    viewer_faces: int = bounded(50_000, 1_000, 50_000, "Most faces in the turning view of a page.")
    replica_density_kg_m3: float = bounded(1240.0, 1.0, 20000.0, "Density for the mass of the solid replica (PLA, ASTM D792 tables).")


@dataclass(frozen=True)
class Settings:
    """All settings of a batch. `class_order` maps an element group (or `default`) to its order of evidence classes; `allometry` a group to
    the exponent with which its lengths grow with those of the rest of the skeleton, 1 where it has none; `routes` a group, an element, one
    element of a target or `default` to the routes it takes, each a route or the name of a machine."""

    clean: CleanSettings = CleanSettings()
    rebuild: RebuildSettings = RebuildSettings()
    restore: RestoreSettings = RestoreSettings()
    plan: PlanSettings = PlanSettings()
    fit: FitSettings = FitSettings()
    report: ReportSettings = ReportSettings()
    fixings: FixingSettings = field(default_factory=FixingSettings)
    print: PrintSettings = field(default_factory=PrintSettings)
    cnc: CncSettings = field(default_factory=CncSettings)
    mould: MouldSettings = field(default_factory=MouldSettings)
    receive: ReceiveSettings = field(default_factory=ReceiveSettings)
    estimate: EstimateSettings = field(default_factory=EstimateSettings)
    class_order: tuple[tuple[str, tuple[str, ...]], ...] = (("default", ("OWN", "OWN-R", "OWN-C", "DON", "DON-R", "INT", "EXT")),)
    allometry: tuple[tuple[str, float], ...] = ()
    machines: tuple[Machine, ...] = ()
    routes: tuple[tuple[str, tuple[str, ...]], ...] = ()
    materials: tuple[Material, ...] = ()
