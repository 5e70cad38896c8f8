"""Blend index of white hair from made strands of known contrast."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d

from hairtone.errors import MeasureError
from hairtone.measures.blend import measure_blend, strand_contrast

SCALE = 0.05  # mm/px
ALONG, ACROSS = 400, 600  # 30 mm wide


def strands(contrast, *, seed=0, breadth_mm=0.8, noise=0.0, shading=0.0):
    """L* of straight strands: stripes of a breadth, their SD `contrast`, running on along."""
    rng = np.random.default_rng(seed)
    across = gaussian_filter1d(rng.standard_normal(3 * ACROSS), breadth_mm / SCALE / 2.355)
    across = across[ACROSS : 2 * ACROSS]
    across = contrast * (across - across.mean()) / across.std()
    hump = shading * np.sin(np.linspace(0, np.pi, ACROSS))
    return 50 + across + hump + noise * rng.standard_normal((ALONG, ACROSS))


def contrast_of(contrast, **made):
    return strand_contrast(strands(contrast, **made), mm_per_px=SCALE)


@pytest.mark.parametrize(("left", "blend"), [(1.0, 0.0), (0.5, 50.0), (0.1, 90.0)])
def test_blend_is_the_share_of_contrast_that_is_gone(left, blend):
    """Same strands, less contrast: exact by definition, the filters are linear."""
    found = measure_blend(contrast_of(8.0), contrast_of(8.0 * left))

    assert found.blend == pytest.approx(blend, abs=0.5)
    assert found.low <= found.blend <= found.high


def test_pixel_noise_is_taken_off():
    """Noise of 3 L* a pixel beside strands of 4 L*: contrast within 6 % of that without it."""
    clean, noisy = contrast_of(4.0), contrast_of(4.0, noise=3.0)

    assert noisy.value == pytest.approx(clean.value, rel=0.06)
    assert noisy.noise > 10 * clean.noise


def test_noise_alone_has_no_contrast():
    found = contrast_of(0.0, noise=3.0)

    assert found.value < 0.15


def test_shading_broader_than_5_mm_is_no_contrast():
    """A hump of 10 L* over 30 mm adds under 5 % to strands of 4 L*."""
    assert contrast_of(4.0, shading=10.0).value == pytest.approx(contrast_of(4.0).value, rel=0.05)


def test_the_interval_covers_the_index():
    """Laid anew, other strands on top, 40 times, 30 mm each. Few strands: percentile intervals of
    some 15 strips cover less than 95 %, 85 % is asked; 99 % of counts of a true 85 % exceed 28."""
    inside = 0
    for seed in range(40):
        before = contrast_of(6.0, seed=seed, noise=1.0)
        after = contrast_of(3.0, seed=1000 + seed, noise=1.0)
        found = measure_blend(before, after)
        inside += found.low <= 50 <= found.high

    assert inside >= 28


@pytest.mark.parametrize("scale", [0.11, 0.5, 0.0])
def test_scales_too_coarse_are_refused_with_the_remedy(scale):
    with pytest.raises(MeasureError, match=r"0\.1 mm/px or finer.*Photograph from nearer"):
        strand_contrast(strands(4.0), mm_per_px=scale)


def test_hair_too_narrow_is_refused():
    with pytest.raises(MeasureError, match=r"The hair is 5\.0 mm wide"):
        strand_contrast(strands(4.0)[:, :100], mm_per_px=SCALE)


def test_photos_of_two_scales_are_not_compared():
    near = strand_contrast(strands(4.0), mm_per_px=0.03)

    with pytest.raises(MeasureError, match=r"0\.050, the other 0\.030 mm/px"):
        measure_blend(contrast_of(4.0), near)


def test_hair_without_contrast_has_nothing_to_blend():
    with pytest.raises(MeasureError, match="no white hair to blend"):
        measure_blend(contrast_of(0.0, noise=2.0), contrast_of(0.0, noise=2.0))


def test_the_table_has_the_columns_of_the_contract():
    found = measure_blend(contrast_of(8.0), contrast_of(4.0))

    assert found.to_frame().columns.tolist() == ["blend", "low", "high", "mm_per_px"]
