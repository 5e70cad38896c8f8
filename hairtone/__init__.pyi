from typing import Final

from .chart.reference import known_references as known_references
from .chart.reference import load_reference as load_reference
from .colorimetry import delta_e as delta_e
from .colorimetry import delta_e_94 as delta_e_94
from .colorimetry import delta_e_ab as delta_e_ab
from .colorimetry import delta_e_cmc as delta_e_cmc
from .colorimetry import lab_to_xyz as lab_to_xyz
from .colorimetry import xyz_to_lab as xyz_to_lab
from .errors import Flag as Flag
from .errors import HairtoneError as HairtoneError
from .photo.reader import read_photo as read_photo
from .pipeline import measure as measure
from .result import PhotoResult as PhotoResult
from .result import TressResult as TressResult
from .uncertainty import ColourDifference as ColourDifference
from .uncertainty import LabEstimate as LabEstimate
from .uncertainty import colour_difference as colour_difference

__version__: Final[str]
__all__: Final[list[str]]
