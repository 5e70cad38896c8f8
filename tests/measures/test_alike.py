"""Share of a pattern that photos have in common, groups by it, and drift from it."""

from __future__ import annotations

import time

import numpy as np
import pytest

from hairtone.measures.zones import drift_of, group_alike, share_alike


def charts(photos, *, common, own, seed=0, patches=24):
    """Misreadings that are a common pattern and each photo's own, with these SDs."""
    rng = np.random.default_rng(seed)
    pattern = rng.normal(0, common, (1, patches, 3))
    return pattern + rng.normal(0, own, (photos, patches, 3))


@pytest.mark.parametrize(("common", "own"), [(1.0, 0.5), (1.0, 1.0), (0.5, 1.0)])
def test_the_share_is_that_of_the_variances(common, own):
    found = share_alike(charts(30, common=common, own=own, patches=2000))

    # 6000 numbers a photo: the pattern's own square is known to 2 %, so the share to 1 %
    assert found == pytest.approx(common**2 / (common**2 + own**2), abs=0.02)


def test_equal_charts_are_wholly_alike_and_unrelated_ones_not_at_all():
    assert share_alike(charts(5, common=1.0, own=0.0)) == pytest.approx(1.0, abs=1e-12)
    # 8 photos of 72 numbers: 4 standard errors of the mean correlation of 28 pairs, 0.022 each
    assert share_alike(charts(8, common=0.0, own=1.0)) < 0.09
    assert share_alike(charts(1, common=1.0, own=1.0)) == 1.0


def test_patches_left_out_of_a_photo_count_nowhere():
    whole = charts(6, common=1.0, own=0.3)
    holed = np.concatenate([whole, np.full((6, 3, 3), np.nan)], axis=1)

    assert share_alike(holed) == pytest.approx(share_alike(whole), abs=1e-12)
    assert (group_alike(holed, least=0.8) == group_alike(whole, least=0.8)).all()


def test_photos_of_two_patterns_make_two_groups_in_any_order():
    both = np.concatenate([charts(4, common=1, own=0.2, seed=k) for k in (1, 2)])
    order = np.random.default_rng(3).permutation(8)

    groups = group_alike(both[order], least=0.8)

    first, second = groups[order < 4], groups[order >= 4]
    assert len(set(first)) == len(set(second)) == 1
    assert first[0] != second[0]


def test_drift_is_the_distance_of_the_means():
    missed = np.zeros((4, 24, 3))
    missed[3, :, 0], missed[3, 5, 1] = 2.0, 4.0

    first, last = drift_of(missed, np.array([0, 0, 0, 1]))

    assert last[0] == pytest.approx(1.5)  # 2 less a quarter of it
    assert last[5] == pytest.approx(np.hypot(1.5, 3.0))
    assert first[0] == pytest.approx(0.5)


def test_a_patch_that_a_session_never_used_has_no_drift_there():
    missed = charts(4, common=1.0, own=0.1)
    missed[3, 7] = np.nan

    first, last = drift_of(missed, np.array([0, 0, 0, 1]))

    assert np.isnan(last[7])
    assert np.isfinite(first).all()


def test_ten_thousand_photos_are_grouped_in_seconds():
    begun = time.process_time()
    groups = group_alike(charts(10_000, common=1.0, own=0.3), least=0.8)

    assert set(groups) == {0}
    assert time.process_time() - begun < 10  # s of CPU; one second on the machine at hand
