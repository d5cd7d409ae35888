"""The settings of the print route: build volume, walls, hollowing, keys and engraving. Lengths in mm.

Marks behind a default: [P] common practice, no published source; [D] a default we propose; [V] read in a published source.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from meshtools.bounds import bounded

EXTRUSION, VAT, POWDER = "material extrusion", "vat photopolymerization", "powder bed fusion"
PROCESSES = (EXTRUSION, VAT, POWDER)
"""Process classes, named as in ISO/ASTM 52900."""
HOLLOW = ("by process", "yes", "no")


@dataclass(frozen=True)
class PrintSettings:
    """How a replica becomes printed parts."""

    process: str = bounded(EXTRUSION, None, None, "Process class, named as in ISO/ASTM 52900.", PROCESSES)
    build_x_mm: float = bounded(300.0, 20.0, 5000.0, "Width of the build volume [D].")
    build_y_mm: float = bounded(300.0, 20.0, 5000.0, "Depth of the build volume [D].")
    build_z_mm: float = bounded(300.0, 20.0, 5000.0, "Height of the build volume [D].")
    spare_mm: float = bounded(5.0, 0.0, 200.0, "What a part with its keys leaves free of the build volume on every axis [D].")
    up_x: float = bounded(0.0, -1.0, 1.0, "Direction in the replica that points up while it is printed: x.")
    up_y: float = bounded(0.0, -1.0, 1.0, "Direction in the replica that points up while it is printed: y.")
    up_z: float = bounded(1.0, -1.0, 1.0, "Direction in the replica that points up while it is printed: z.")
    most_parts: int = bounded(500, 1, 5000, "A replica that would take more parts than this is not split: its size may be wrong [D].")

    least_wall_extrusion_mm: float = bounded(0.8, 0.05, 20.0, "Thinnest wall that material extrusion makes [P].")
    sound_wall_extrusion_mm: float = bounded(1.6, 0.05, 50.0, "Recommended wall for material extrusion [P].")
    least_wall_vat_mm: float = bounded(0.5, 0.05, 20.0, "Thinnest wall that vat photopolymerization makes [P].")
    sound_wall_vat_mm: float = bounded(1.0, 0.05, 50.0, "Recommended wall for vat photopolymerization [P].")
    least_wall_powder_mm: float = bounded(0.7, 0.05, 20.0, "Thinnest wall that powder bed fusion makes [P].")
    sound_wall_powder_mm: float = bounded(1.0, 0.05, 50.0, "Recommended wall for powder bed fusion [D].")
    thin_area_percent: float = bounded(0.05, 0.0, 100.0, "Review when more of the surface than this is thinner than the process makes [D].")

    hollow: str = bounded("by process", None, None, "Whether parts are hollowed; by process: vat and powder bed yes, extrusion no [P].", HOLLOW)
    wall_mm: float = bounded(5.0, 0.5, 50.0, "Wall of a hollow part: 3-5 hand-sized, 5-8 half a metre [P].")
    drain_diameter_mm: float = bounded(4.0, 3.5, 50.0, "Diameter of vent and drain of a hollow part, at least 3.5 [P].")
    boss_radius_mm: float = bounded(10.0, 0.0, 200.0, "A hollow part stays solid this far around joint ends and sockets [D].")
    least_saving_percent: float = bounded(5.0, 0.0, 100.0, "A part whose cavity would save less than this share of its volume stays solid [D].")

    keep_off_mm: float = bounded(15.0, 0.0, 500.0, "Cuts, drains and engravings stay this far away from joint ends and sockets where they can [D].")
    key_diameter_mm: float = bounded(12.0, 5.0, 100.0, "Diameter of the larger key of a cut where the section has room [D].")
    key_depth_mm: float = bounded(10.0, 3.0, 100.0, "How far keys reach into the other part, at most [D].")
    key_wall_mm: float = bounded(3.0, 0.8, 50.0, "Material left around a key and below its hole [D].")
    key_clearance_mm: float = bounded(0.2, 0.0, 2.0, "Gap between key and hole on every side: 0.2 pushed, 0.3-0.5 loose [P].")

    letter_height_mm: float = bounded(8.0, 6.0, 100.0, "Height of engraved letters; they shrink to 6 where there is little room [D].")
    stroke_mm: float = bounded(1.2, 1.0, 20.0, "Width of an engraved stroke, above 1 [P].")
    engraving_depth_mm: float = bounded(0.8, 0.2, 3.0, "Depth of the engraving: below 1 on an upright face, below 3 on a level one [P].")

    density_kg_m3: float = bounded(1240.0, 1.0, 20000.0, "Density of the printed material (PLA 1240, ASTM D792 tables [V]).")

    def contradictions(self) -> Iterator[tuple[str, str]]:
        """(field, rule) of what cannot be together."""
        if not any((self.up_x, self.up_y, self.up_z)):
            yield "up_z", "leaves no direction up, because up_x and up_y are 0 too; write 1 or -1 for the axis that points up."
        for axis in "xyz":
            if getattr(self, f"build_{axis}_mm") <= self.spare_mm:
                yield f"build_{axis}_mm", f"leaves no room beside spare_mm ({self.spare_mm:g}); lower spare_mm or enter the machine's own size."

    @property
    def is_hollowed(self) -> bool:
        """Whether parts are hollowed, by the setting or by the process."""
        return self.hollow == "yes" or (self.hollow == "by process" and self.process in (VAT, POWDER))

    @property
    def least_wall_mm(self) -> float:
        """Thinnest wall of the process."""
        return {EXTRUSION: self.least_wall_extrusion_mm, VAT: self.least_wall_vat_mm, POWDER: self.least_wall_powder_mm}[self.process]

    @property
    def sound_wall_mm(self) -> float:
        """Recommended wall of the process."""
        return {EXTRUSION: self.sound_wall_extrusion_mm, VAT: self.sound_wall_vat_mm, POWDER: self.sound_wall_powder_mm}[self.process]

    @property
    def room_mm(self) -> tuple[float, float, float]:
        """What a part may measure along each axis of the machine."""
        return self.build_x_mm - self.spare_mm, self.build_y_mm - self.spare_mm, self.build_z_mm - self.spare_mm
