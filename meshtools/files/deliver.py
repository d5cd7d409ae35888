"""The files a finished part is delivered as: STL, 3MF and GLB, one function each, all with the same arguments.

Each returns the bytes and the matrix that brings scan coordinates in mm to the file's frame and unit. The same part gives the same bytes.
`recentred` is what `recentre` makes of the mesh, where that is at hand already.
"""

from meshtools.files.deliver_3mf import encode_3mf
from meshtools.files.deliver_frame import EVIDENCE_COLOURS, Delivery, PartLabel, recentre
from meshtools.files.deliver_glb import encode_glb
from meshtools.files.deliver_stl import encode_stl

__all__ = ["EVIDENCE_COLOURS", "Delivery", "PartLabel", "encode_3mf", "encode_glb", "encode_stl", "recentre"]
