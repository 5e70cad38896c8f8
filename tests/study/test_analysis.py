"""Tables of a study, from photos whose colours are known."""

from __future__ import annotations

import os

import numpy as np
import pytest
from folders import TITLE, measured, series, write_study

from hairtone.colorimetry import DEFAULT_VIEWING, delta_e, lab_to_xyz, xyz_to_lab
from hairtone.errors import HairtoneError
from hairtone.study.analysis import COLUMNS, analyse, side_by_side
from hairtone.study.observations import hairs_of, relay_covariance, shuffled
from hairtone.study.run import plan_photos
from hairtone.study.sheet import read_study

BEFORE, COLOURED = (60.0, 5.0, 20.0), (40.0, 25.0, 10.0)


def analysed(folder, rows, labs, *, settings=TITLE):
    """The analysis of a study whose photos state their colours, by name of the photo."""
    write_study(folder, rows, settings=settings)
    for name, text in labs.items():
        (folder / f"photos/{name}.jpg").write_text(text)
    return analyse(measured(folder))


def text_of(lab, *, ends=(0, 0, 0), mark=""):
    return f"lab {lab[0]} {lab[1]} {lab[2]} ends {ends[0]} {ends[1]} {ends[2]} {mark}"


def mix(share):
    """A colour on the straight way from before to just coloured."""
    return tuple(np.array(BEFORE) + share * (np.array(COLOURED) - np.array(BEFORE)))


@pytest.fixture(scope="module")
def fading(tmp_path_factory):
    """T1, even, loses its colour in a straight way; T2 was never photographed before."""
    shares = {"before": 0.0, "0": 1.0, "1": 0.8, "2": 0.64, "3": 0.512, "4": 0.41}
    labs = {f"T1_{wash}": text_of(mix(share)) for wash, share in shares.items()}
    labs |= {"T2_0": text_of(COLOURED, mark="T2"), "T2_1": text_of(mix(0.7)), "T3_0": "no chart"}
    rows = series(("T1",), tuple(shares), treatment="plain", section="back left")
    rows += series(("T2",), ("0", "1"), treatment="plain", section="")
    rows += series(("T3",), ("0",), treatment="plain", section="")
    return analysed(tmp_path_factory.mktemp("fading"), rows, labs)


def test_tables_do_not_depend_on_the_processes_that_share_the_hairs(fading):
    other = analyse(fading.outcome, workers=2)

    for name, frame in fading.frames.items():
        assert frame.equals(other.frames[name]), name
    assert other.warnings == fading.warnings
    assert other.missing == fading.missing
    assert [p.photo for p in other.profiles] == [p.photo for p in fading.profiles]


def test_a_lost_process_is_told_with_what_to_do(fading):
    """One that is ended from outside, as where memory runs out."""
    with pytest.raises(HairtoneError, match="fewer workers"):
        list(side_by_side(os._exit, [3], workers=2))


def test_every_table_of_the_contract_is_there_with_its_columns(fading):
    assert {name: tuple(frame.columns) for name, frame in fading.frames.items()} == COLUMNS


def test_measurements_are_those_of_each_photo(fading):
    table = fading.frames["measurements"]

    assert len(table) == 3 * 8
    first = table[(table.subject == "T1") & (table.wash == "0")]
    assert list(first.zone) == ["roots", "mid_lengths", "ends"]
    # means are taken in linear light over equal colours: nothing but rounding to 3 decimals
    assert first[["L", "a", "b"]].to_numpy() == pytest.approx(np.tile(COLOURED, (3, 1)), abs=6e-4)
    assert set(first.treatment) == {"plain"}
    assert set(first.section) == {"back left"}


def test_uptake_is_the_difference_of_the_known_colours(fading):
    table = fading.frames["uptake"]

    assert list(table.subject) == ["T1"] * 3
    truth = float(delta_e(np.array(BEFORE), np.array(COLOURED)))
    assert table.delta_e.to_numpy() == pytest.approx(truth, abs=1e-2)
    assert (table.low < truth).all()
    assert (table.high > truth).all()
    assert table.dL.to_numpy() == pytest.approx(-20.0, abs=1e-2)
    assert table.ratio_ends_to_roots.to_numpy() == pytest.approx(1.0, abs=1e-2)


def test_colour_left_is_the_share_of_the_way(fading):
    """By construction; tolerance 1 point: noise common to both factors is taken off twice over."""
    table = fading.frames["fade"].query("subject == 'T1' and zone == 'roots'")

    assert list(table.wash) == [0, 1, 2, 3, 4]
    assert table.colour_left.to_numpy() == pytest.approx([100, 80, 64, 51.2, 41], abs=1.0)


def test_a_fade_that_follows_one_exponential_gives_its_half_life(fading):
    """0.8 per wash: half is left after ln 2 / ln 1.25 = 3.1 washes. Tolerance: 5 %, the lift."""
    table = fading.frames["fade_fit"]

    assert set(table.zone) == {"roots", "mid_lengths", "ends"}
    assert table.half_life.to_numpy() == pytest.approx(3.106, rel=0.05)


def test_what_cannot_be_told_is_said_and_the_rest_is_computed(fading):
    fade = fading.frames["fade"].query("subject == 'T2'")

    assert fade.colour_left.isna().all()
    assert (fade.delta_e.to_numpy()[[1, 3, 5]] > 1).all()
    (told,) = [told for told in fading.missing if "no photo before" in told]
    assert told.startswith("T2: roots, mid-lengths and ends: no photo before")


def test_refused_rows_are_listed_with_the_remedy(fading):
    table = fading.frames["refused"]

    assert table.to_dict("records") == [
        {"photo": "photos/T3_0.jpg", "place": 1, "code": "chart-not-found", "says": "No chart.",
         "remedy": "Add one."}
    ]  # fmt: skip


def test_profiles_say_where_they_belong(fading):
    profile = fading.profiles[1]

    assert (profile.subject, profile.section, profile.wash) == ("T1", "back left", "0")
    assert profile.lab.shape == (60, 3)
    assert profile.u95.shape == (60,)
    assert (profile.u95 > 0).all()


def test_evenness_is_net_of_the_natural_gradient_where_it_is_known(tmp_path):
    """The ends were 4 L* lighter before; they are 4 L* lighter after: coloured evenly."""
    labs = {
        "T1_before": text_of(BEFORE, ends=(4, 0, 0)),
        "T1_0": text_of(COLOURED, ends=(4, 0, 0)),
    }
    table = analysed(tmp_path, series(washes=("before", "0")), labs).frames["evenness"]

    found = table[table.wash == "0"].set_index("measure").value
    assert found["root_to_ends"] == pytest.approx(
        float(delta_e(np.array(COLOURED), np.add(COLOURED, (4, 0, 0)))), abs=0.02
    )
    assert found["root_to_ends_net"] == pytest.approx(0.0, abs=0.02)
    assert "root_to_ends_net" not in set(table[table.wash == "before"].measure)


def test_photos_of_one_lay_count_as_one(tmp_path):
    """Lay 1 has three photos at L* 40, lay 2 one at L* 44: the mean is 42."""
    rows, labs = [], {}
    for number, (lay, lightness) in enumerate([(1, 40), (1, 40), (1, 40), (2, 44)]):
        rows.append(
            {"photo": f"photos/p{number}.jpg", "subject": "T1", "wash": "0", "replicate": lay}
        )
        labs[f"p{number}"] = text_of((lightness, 10, 10), mark=str(number))
    analysis = analysed(tmp_path, rows, labs)

    state = next(iter(hairs_of(analysis.outcome))).states[0]

    assert state.replicates == 2
    assert state.pooled["roots"].lab == pytest.approx([42, 10, 10], abs=0.02)


def test_one_picture_under_two_names_counts_once(tmp_path):
    rows = [
        {"photo": f"photos/p{n}.jpg", "subject": "T1", "wash": "0", "replicate": n} for n in (1, 2)
    ]
    labs = {f"p{n}": text_of(COLOURED) for n in (1, 2)}

    analysis = analysed(tmp_path, rows, labs)

    assert next(iter(hairs_of(analysis.outcome))).states[0].replicates == 1
    assert set(analysis.frames["measurements"].photo) == {"photos/p1.jpg"}


def test_calibration_averages_out_over_photos_but_not_within_one(tmp_path):
    """Four photos, each with its own camera and light: a quarter of the variance. Tolerance 25 %:
    the draws are 256, and the four photos' own variances differ as much.
    """
    rows = [
        {"photo": f"photos/p{n}.jpg", "subject": "T1", "wash": "0", "replicate": n}
        for n in range(1, 5)
    ]
    labs = {f"p{n}": text_of(COLOURED, mark=str(n)) for n in range(1, 5)}
    analysis = analysed(tmp_path, rows, labs)

    state = next(iter(hairs_of(analysis.outcome))).states[0]

    one = np.mean([np.trace(e["roots"].calibration_covariance) for e in photos_of(state)])
    pooled = np.trace(state.pooled["roots"].calibration_covariance)
    assert pooled == pytest.approx(one / 4, rel=0.25)


def photos_of(state):
    from hairtone.measures.zones import zone_estimates

    return [zone_estimates(profile, zones=state.zones) for profile in state.profiles]


def test_draws_of_one_photo_stay_together_and_of_two_part():
    from folders import profile_of

    profile = profile_of(1, DEFAULT_VIEWING)
    one, again, other = (shuffled(profile, sha * 16) for sha in ("1a", "1a", "2b"))

    assert np.array_equal(one.draws, again.draws)
    assert not np.array_equal(one.draws, other.draws)
    assert np.array_equal(np.sort(one.draws[:, 0, 0]), np.sort(other.draws[:, 0, 0]))


def test_relaying_is_borrowed_without_repeats_and_taken_from_the_study_with_them(tmp_path):
    """Lays of six hairs scatter by 2 L*: known variance 4. Tolerance: 3 standard errors of a
    variance with 6 x 3 x 3 readings that share their lays, so 6 x 3 = 18 degrees: sqrt(2/18) x 3.
    """
    rng = np.random.default_rng(5)
    rows, labs = [], {}
    for hair in range(6):
        for lay in range(1, 5):
            name = f"h{hair}_{lay}"
            rows.append({"photo": f"photos/{name}.jpg", "subject": f"T{hair}", "wash": "0",
                         "replicate": lay})  # fmt: skip
            labs[name] = text_of((40 + rng.normal(0, 2), 10, 10), mark=name)
    analysis = analysed(tmp_path, rows, labs)

    assert not analysis.is_relaying_borrowed
    assert analysis.relaying[0, 0] == pytest.approx(4.0, rel=3 * np.sqrt(2 / 18))
    borrowed, is_borrowed = relay_covariance([])
    assert is_borrowed
    assert borrowed[0, 0] == pytest.approx(0.31**2)


def test_a_study_s_own_words_are_used(tmp_path):
    from hairtone.locations import reference_path

    own = reference_path("bands.toml").read_text().replace('"even"', '"as one"')
    tmp_path.mkdir(exist_ok=True)
    (tmp_path / "bands.toml").write_text(own)
    labs = {"T1_0": text_of(COLOURED)}

    table = analysed(tmp_path, series(washes=("0",)), labs).frames["evenness"]

    assert "as one" in " ".join(table.words)


def test_repeats_give_the_scatter_of_lays(tmp_path):
    """Two lays of each of two tresses, 2 and 4 L* apart: SD² = (2²/2 + 4²/2) / 2 = 5."""
    rows, labs = [], {}
    for hair, gap in ((1, 2), (2, 4)):
        for lay in (1, 2):
            name = f"h{hair}_{lay}"
            rows.append({"photo": f"photos/{name}.jpg", "subject": f"T{hair}", "wash": "0",
                         "replicate": lay, "operator": f"O{lay}"})  # fmt: skip
            labs[name] = text_of((40 + gap * (lay - 1), 10, 10), mark=name)
    table = analysed(tmp_path, rows, labs).frames["repeats"]

    found = table[(table.measure == "L") & (table.zone == "roots")].set_index("factor")
    assert found.sd["repeat"] == pytest.approx(np.sqrt(5), abs=1e-3)
    assert found.n["repeat"] == 4
    # operators: residuals ∓1, ±1 and ∓2, ±2: means ±1.5 of two; within each 0.5² · 2 = 0.5
    # between = (2 · 2 · 1.5² - 0.5) / 2 = 4.25
    assert found.sd["operator"] == pytest.approx(np.sqrt(4.25), abs=1e-2)


def test_treatments_are_compared_tress_by_tress(tmp_path):
    """Ends 3, 4, 5 L* off against 0, 1, 2: three tresses each, difference known."""
    settings = TITLE + 'order = ["levelled", "plain"]\n[treatments.plain]\n[treatments.levelled]\n'
    rows, labs, truth = [], {}, {}
    for treatment, gaps in (("plain", (3, 4, 5)), ("levelled", (0, 1, 2))):
        for number, gap in enumerate(gaps):
            name = f"{treatment}{number}"
            rows.append({"photo": f"photos/{name}.jpg", "subject": name, "wash": "0",
                         "treatment": treatment})  # fmt: skip
            labs[name] = text_of((40, 10, 10), ends=(gap, 0, 0), mark=name)
        truth[treatment] = np.mean([delta_e(np.array([40.0, 10, 10]), [40 + g, 10, 10])
                                    for g in gaps])  # fmt: skip
    table = analysed(tmp_path, rows, labs, settings=settings).frames["comparison"]

    row = table[table.measure == "root_to_ends"].iloc[0]
    assert (row.treatment_a, row.treatment_b) == ("levelled", "plain")
    assert row.difference == pytest.approx(truth["levelled"] - truth["plain"], abs=0.02)
    assert row.low < row.difference < row.high < 0
    assert (row.n_a, row.n_b) == (3, 3)
    assert row.margin == 1.0


def test_a_leveller_is_judged_by_its_pairs(tmp_path):
    """Without leveller the ends are 4 L* off, with it 1: the effect is their difference in ΔE00."""
    settings = (
        TITLE + 'pairing = "pair"\n[treatments.plain]\n[treatments.levelled]\nleveller = "ends"\n'
    )
    rows, labs = [], {}
    for name, treatment, gap in (("a", "plain", 4), ("b", "levelled", 1)):
        rows.append({"photo": f"photos/{name}.jpg", "subject": name, "wash": "0",
                     "treatment": treatment, "pair": "P1"})  # fmt: skip
        labs[name] = text_of((40, 10, 10), ends=(gap, 0, 0))
    table = analysed(tmp_path, rows, labs, settings=settings).frames["comparison"]

    row = table[table.measure == "leveller_effect"].iloc[0]
    start = np.array([40.0, 10, 10])
    truth = float(delta_e(start, [44, 10, 10]) - delta_e(start, [41, 10, 10]))
    assert row.difference == pytest.approx(truth, abs=0.03)
    assert row.low > 0
    assert "1 pair only" in row.verdict


def test_lengths_that_took_more_are_placed_and_a_missed_place_is_found(tmp_path):
    """From two thirds on the ends took 8 more L*; nothing else differs."""
    labs = {"T1_before": text_of(BEFORE), "T1_0": text_of(COLOURED, ends=(-8, 0, 0))}

    frames = analysed(tmp_path, series(washes=("before", "0")), labs).frames

    row = frames["porous"].iloc[0]
    assert row.onset == pytest.approx(2 / 3, abs=0.05)  # of the length, as asked of the measure
    assert row.excess > 3


def test_a_treatment_of_fewer_than_five_subjects_is_told_before_it_is_shared(tmp_path):
    settings = TITLE + '[subjects.T1]\nconsent = ["measure"]\nage_16_or_over = true\n'
    labs = {"T1_0": text_of(COLOURED)}

    analysis = analysed(tmp_path, series(washes=("0",)), labs, settings=settings)

    assert [flag.code for flag in analysis.warnings] == ["small-group"]


def test_readings_of_an_instrument_are_set_against_the_photos(tmp_path):
    """The instrument reads 1 L* less at the roots, 2 at the mid-lengths, 3 at the ends, + 4 b*."""
    lines = ["subject,section,wash,replicate,zone,L,a,b,viewing"]
    for wash, lab in (("before", BEFORE), ("0", COLOURED), ("1", mix(0.8))):
        for number, zone in enumerate(("roots", "mid_lengths", "ends"), start=1):
            for replicate, jitter in ((1, 0.5), (2, -0.5)):  # repeats of the instrument: averaged
                lines.append(f"T1,,{wash},{replicate},{zone},{lab[0] - number + jitter},{lab[1]},"
                             f"{lab[2] + 4},D65/10")  # fmt: skip
    (tmp_path / "readings.csv").write_text("\n".join(lines))
    labs = {"T1_before": text_of(BEFORE), "T1_0": text_of(COLOURED), "T1_1": text_of(mix(0.8))}
    settings = TITLE + '[readings]\nfile = "readings.csv"\n'

    table = analysed(tmp_path, series(), labs, settings=settings).frames["agreement"]

    bias = table.set_index(["zone", "axis"]).bias
    assert bias["roots", "L"] == pytest.approx(1.0, abs=0.01)
    assert bias["ends", "L"] == pytest.approx(3.0, abs=0.01)
    assert bias["all", "L"] == pytest.approx(2.0, abs=0.01)
    assert bias["all", "b"] == pytest.approx(-4.0, abs=0.01)
    assert table.set_index(["zone", "axis"]).n["all", "a"] == 9


def test_hair_that_got_lighter_on_colouring_is_doubted_and_no_number_changes(tmp_path):
    labs = {"T1_before": text_of(COLOURED), "T1_0": text_of(BEFORE)}

    analysis = analysed(tmp_path, series(washes=("before", "0")), labs)

    assert {flag.code for flag in analysis.warnings} == {"lightened"}
    assert analysis.frames["uptake"].dL.to_numpy() == pytest.approx(20.0, abs=1e-2)


def test_a_trim_moves_the_zones_to_the_hair_that_was_coloured(tmp_path):
    """100 px at 1 mm a pixel; 20 mm trimmed: the coloured roots third is now 0 .. 0.333 · 120/100.

    The ends differ from 2/3 on; after the trim 2/3 lies at 0.8 of the hair as it was coloured, so
    an unanchored ends zone of the trimmed photo would hold the mid-lengths' colour as well.
    """
    from hairtone.study.hair_measures import Growth, anchored_zones

    labs = {"T1_0": text_of(COLOURED, ends=(6, 0, 0))}
    state = next(iter(hairs_of(analysed(tmp_path, series(washes=("0",)), labs).outcome))).states[0]
    plain = anchored_zones(state, None, state.zones)
    growth = Growth(grown_mm=0.0, trimmed_mm=20.0, length_mm=100.0)

    moved = anchored_zones(state, growth, state.zones)

    assert plain["mid_lengths"].lab[0] == pytest.approx(40.0, abs=0.01)
    # mid-lengths of the coloured hair: 0.4 .. 0.8 of the hair now; a third of that is "ends";
    # the mean is taken in linear light
    white = DEFAULT_VIEWING.white
    lights = lab_to_xyz(np.array([COLOURED, np.add(COLOURED, (6, 0, 0))]), white=white)
    mixed = xyz_to_lab(np.array([2, 1]) @ lights / 3, white=white)
    assert moved["mid_lengths"].lab == pytest.approx(mixed, abs=0.02)
    assert moved["ends"].lab[0] == pytest.approx(46.0, abs=0.01)


def test_growth_is_counted_from_the_days_between_the_photos(tmp_path):
    """12 mm a month for 61 days: 12 · 61 / 30.44 = 24.0 mm; a trim counts from its wash on."""
    from hairtone.study.hair_measures import growth_of

    settings = TITLE + "[subjects.T1]\nregrowth_mm_per_month = 12\ntrims = [{wash = 1, mm = 10}]\n"
    rows = series(washes=("0", "1"))
    rows[0]["date"], rows[1]["date"] = "2026-03-01", "2026-05-01"
    labs = {"T1_0": text_of(COLOURED), "T1_1": text_of(mix(0.8))}
    analysis = analysed(tmp_path, rows, labs, settings=settings)

    growth = growth_of(next(iter(hairs_of(analysis.outcome))), analysis.outcome.study.settings)

    assert growth[1].grown_mm == pytest.approx(24.0, abs=0.1)
    assert growth[1].trimmed_mm == 10.0
    assert growth[1].length_mm is None
    assert "trimmed" in {flag.code for flag in analysis.warnings}


def test_a_mark_of_new_growth_stands_in_for_what_is_logged(tmp_path):
    """The line begins at the mark already: what is logged may not move the zones once more."""
    from hairtone.study.hair_measures import growth_of

    settings = TITLE + "[subjects.T1]\nregrowth_mm_per_month = 12\n"
    rows = series(washes=("0", "1"))
    rows[0]["date"], rows[1]["date"] = "2026-03-01", "2026-05-01"
    labs = {"T1_0": text_of(COLOURED), "T1_1": text_of(mix(0.8))}
    outcome = analysed(tmp_path, rows, labs, settings=settings).outcome
    (hair,) = hairs_of(outcome)
    hair.states[1].rows[0].hair["tress"]["regrowth"] = {"px": 50.0, "mm": 12.5}

    growth = growth_of(hair, outcome.study.settings)

    assert growth[1].grown_mm == 0.0
    assert (growth[1].marked_mm, growth[1].expected_mm) == (12.5, pytest.approx(24.0, abs=0.1))


def test_a_mark_of_new_growth_is_asked_of_the_photo(tmp_path):
    rows = series(washes=("0",), line="10,10 10,400", regrowth="10,60")
    study = read_study(write_study(tmp_path / "marked", rows))
    plain = read_study(write_study(tmp_path / "plain", series(washes=("0",), line="10,10 10,400")))

    (marked,), (unmarked,) = plan_photos(study), plan_photos(plain)

    assert marked.request.hairs[0].regrowth == pytest.approx([10, 60])
    assert marked.recipe != unmarked.recipe


def test_white_hair_that_the_sheet_states_is_asked_of_the_photo(tmp_path):
    rows = series(washes=("0",), line="10,10 10,400", white_percent="30")
    study = read_study(write_study(tmp_path / "white", rows))
    plain = read_study(write_study(tmp_path / "plain", series(washes=("0",), line="10,10 10,400")))

    (white,), (unstated,) = plan_photos(study), plan_photos(plain)

    assert white.request.hairs[0].white_percent == 30.0
    assert white.recipe != unstated.recipe


def test_blending_is_told_where_the_strands_can_be_told_apart(tmp_path, monkeypatch):
    """Contrast 8 L* before, 2 after: 75 % blended; without a scale nothing is said."""
    from hairtone.measures.blend import StrandContrast

    contrasts = {"photos/T1_before.jpg": 8.0, "photos/T1_0.jpg": 2.0}

    def contrast(told):
        return told and StrandContrast(
            value=told["v"], draws=np.full(500, told["v"]), noise=0.1, mm_per_px=0.05
        )

    monkeypatch.setattr("hairtone.study.hair_measures.contrast_from", contrast)
    labs = {"T1_before": text_of(BEFORE), "T1_0": text_of(COLOURED)}
    outcome = analysed(tmp_path, series(washes=("before", "0")), labs).outcome
    assert analyse(outcome).frames["blend"].empty
    for row in outcome.rows:
        row.hair["contrast"] = {"v": contrasts[row.row.photo]}

    table = analyse(outcome).frames["blend"]

    assert table.blend.to_list() == [75.0]
    assert table.mm_per_px.to_list() == [0.05]
