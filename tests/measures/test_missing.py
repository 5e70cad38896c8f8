"""What cannot be told is said once for all zones and hairs that share the reason."""

from __future__ import annotations

from hairtone.measures.words import MOST_HAIRS, Missing, merged

ZONES = ("roots", "mid_lengths", "ends")


def test_zones_with_one_reason_share_a_sentence():
    found = [Missing(says="no photo before", zone=zone, hair="T1") for zone in ZONES]

    assert merged(found) == ("T1: roots, mid-lengths and ends: no photo before.",)


def test_hairs_with_one_reason_share_a_sentence():
    found = [Missing(says="too few washes", zone="ends", hair=hair) for hair in ("T1", "T2")]

    assert merged(found) == ("T1 and T2: ends: too few washes.",)


def test_figures_of_each_zone_are_kept():
    found = [
        Missing(says="too little uptake", detail=f"{n} ΔE*ab", zone=zone, hair="T1")
        for n, zone in enumerate(ZONES)
    ]

    assert merged(found) == (
        "T1: too little uptake (roots 0 ΔE*ab; mid-lengths 1 ΔE*ab; ends 2 ΔE*ab).",
    )


def test_a_long_list_of_hairs_is_counted():
    found = [Missing(says="no wash 0", hair=f"T{n}") for n in range(MOST_HAIRS + 3)]

    (told,) = merged(found)

    assert told == "T0, T1, T2, T3, T4, T5 and 3 more: no wash 0."


def test_other_reasons_stay_apart_and_nothing_is_told_twice():
    found = [Missing(says="one."), Missing(says="two"), Missing(says="one.")]

    assert merged(found) == ("one.", "two.")
