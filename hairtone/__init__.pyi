from typing import Final

from .calibrated import CalibratedPhoto as CalibratedPhoto
from .calibrated import calibrate as calibrate
from .calibration.types import Calibration as Calibration
from .calibration.types import LightField as LightField
from .chart.finder import find_chart as find_chart
from .chart.reference import known_references as known_references
from .chart.reference import load_reference as load_reference
from .chart.types import ChartReading as ChartReading
from .chart.types import ChartReference as ChartReference
from .colorimetry import delta_e as delta_e
from .colorimetry import delta_e_94 as delta_e_94
from .colorimetry import delta_e_ab as delta_e_ab
from .colorimetry import delta_e_cmc as delta_e_cmc
from .colorimetry import lab_to_xyz as lab_to_xyz
from .colorimetry import xyz_to_lab as xyz_to_lab
from .errors import Flag as Flag
from .errors import HairtoneError as HairtoneError
from .hair.map import HairMap as HairMap
from .hair.map import map_hair as map_hair
from .hair.types import Profile as Profile
from .hair.types import Strand as Strand
from .measures.blend import measure_blend as measure_blend
from .measures.comparison import compare_treatments as compare_treatments
from .measures.comparison import leveller_effect as leveller_effect
from .measures.contrast import Reading as Reading
from .measures.design import plan_design as plan_design
from .measures.evenness import find_patches as find_patches
from .measures.evenness import measure_evenness as measure_evenness
from .measures.fade import change_curve as change_curve
from .measures.fade import measure_fade as measure_fade
from .measures.fade_curve import find_crossing as find_crossing
from .measures.fade_curve import fit_fade as fit_fade
from .measures.repeatability import measure_repeatability as measure_repeatability
from .measures.repeatability import repeats_needed as repeats_needed
from .measures.uptake import find_porous_onset as find_porous_onset
from .measures.uptake import measure_uptake as measure_uptake
from .measures.zones import span_estimate as span_estimate
from .measures.zones import zone_estimates as zone_estimates
from .photo.reader import read_photo as read_photo
from .photo.types import Photo as Photo
from .pipeline import measure as measure
from .report.page import write_report as write_report
from .report.picker import Picker as Picker
from .report.picker import pick as pick
from .result import PhotoResult as PhotoResult
from .result import TressResult as TressResult
from .study.analysis import analyse as analyse
from .study.new import new_study as new_study
from .study.run import measure_study as measure_study
from .study.sheet import read_study as read_study
from .uncertainty import ColourDifference as ColourDifference
from .uncertainty import LabEstimate as LabEstimate
from .uncertainty import colour_difference as colour_difference

__version__: Final[str]
__all__: Final[list[str]]
