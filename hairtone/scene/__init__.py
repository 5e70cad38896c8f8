"""Known colours -> rendered photographs with known truth."""

import lazy_loader as _lazy

__getattr__, __dir__, __all__ = _lazy.attach(
    __name__,
    submod_attrs={
        "demo": ["render_demo"],
        "draw": ["PROTOCOLS", "Wish", "random_scene"],
        "layout": ["AlongHair", "TintedPatch", "tress_hair"],
        "render": ["render_scene", "write_photo"],
        "types": [
            "ChartPlacement",
            "Development",
            "Jpeg",
            "Lens",
            "LightShape",
            "RenderedPhoto",
            "Scene",
            "SceneTruth",
            "Sensor",
            "Shine",
            "Thing",
            "Thinning",
            "Tress",
            "TressTruth",
            "Weave",
        ],
    },
)
