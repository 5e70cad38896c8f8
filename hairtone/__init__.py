"""Colour figures one can believe from ordinary photographs of coloured hair.

Public names are loaded when first used, so that ``import hairtone`` costs next to nothing::

    import hairtone as ht

    result = ht.measure("tress.jpg")
"""

from typing import Final

import lazy_loader

__version__: Final = "0.1.0"
__getattr__, __dir__, _names = lazy_loader.attach(
    __name__,
    submod_attrs={  # the same list, for type checkers, in __init__.pyi
        "chart.reference": ["known_references", "load_reference"],
        "colorimetry": [
            "delta_e",
            "delta_e_94",
            "delta_e_ab",
            "delta_e_cmc",
            "lab_to_xyz",
            "xyz_to_lab",
        ],
        "errors": ["Flag", "HairtoneError"],
        "photo.reader": ["read_photo"],
        "pipeline": ["measure"],
        "result": ["PhotoResult", "TressResult"],
        "uncertainty": ["ColourDifference", "LabEstimate", "colour_difference"],
    },
)
__all__ = ("__version__", *_names)
