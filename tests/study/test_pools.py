"""Photos of one camera go together, and what that changes and does not change."""

from __future__ import annotations

import json
import random
from dataclasses import replace

import numpy as np
import pytest
from folders import TITLE, measure_fast, measured, measured_by_children, series, write_study
from pandas.testing import assert_frame_equal

from hairtone.calibration.field import HairSpread, photo_field
from hairtone.measures.zones import ZONES
from hairtone.report.page import write_report
from hairtone.study.analysis import COLUMNS, analyse
from hairtone.study.editing import purge_subject
from hairtone.study.observations import hairs_of
from hairtone.study.outcome import (
    ANY_CAMERA,
    BASE,
    CHART,
    HAIR_LENGTH,
    SAME_DYE,
    Pool,
    Shot,
    tie_down,
    world_draws,
    write_pools,
)
from hairtone.study.records import Packed
from hairtone.study.sheet import read_study
from hairtone.study.store import Store

WASHES = ("before", "0", "1", "2")
LABS = {"before": (60, 5, 20), "0": (40, 25, 10), "1": (44, 21, 12), "2": (47, 18, 14)}
SAME = "look 1 same draws"
GREY = np.array([[50.0, 0.0, 0.0]])
NAMING_POOLS = ("fade", "fade_fit", "crossing")
OF_CHANGES = (*NAMING_POOLS, "uptake", "porous")  # tables that difference photos


def study(folder, *, subjects=("T1",), look="look 1", own=None, washes=WASHES):
    """A study of photos that state their colours and looks; `own` replaces the look by wash."""
    write_study(folder, series(subjects, washes, section="", session="a"))
    for subject in subjects:
        for wash in washes:
            text = (own or {}).get(wash, look)
            lab = " ".join(map(str, LABS[wash]))
            path = folder / f"photos/{subject}_{wash}.jpg"
            path.write_text(f"lab {lab} {text} of {subject}")
    return folder


def told(outcome):
    return [pool.to_dict() for pool in outcome.pools]


def notes(outcome):
    return " ".join(outcome.notes)


def test_photos_of_one_camera_make_one_pool(tmp_path):
    outcome = measured(study(tmp_path))

    (pool,) = outcome.pools
    assert pool.photos == tuple(sorted(row.sha256 for row in outcome.rows))
    # own noise is a tenth of the look: 1 / 1.01 of the squares are common, 72 numbers a photo
    assert pool.alike == pytest.approx(1 / 1.01, abs=0.01)
    assert f"Pool {pool.name}: 4 photos come from one camera set-up" in notes(outcome)


@pytest.mark.parametrize("workers", [1, 3])
def test_a_pool_depends_on_neither_order_nor_workers(tmp_path, workers):
    first = measured(study(tmp_path / "a", subjects=("T1", "T2")))
    other = study(tmp_path / "b", subjects=("T1", "T2"))
    rows = series(("T1", "T2"), WASHES, section="", session="a")
    write_study(other, random.Random(workers).sample(rows, len(rows)))

    second = measured_by_children(other, workers=workers)

    assert told(second) == told(first)
    fades = [
        analyse(outcome, workers=count).frames["fade"].sort_values(["subject", "zone", "wash"])
        for outcome, count in ((first, 1), (second, workers))
    ]
    assert_frame_equal(*(fade.reset_index(drop=True) for fade in fades), check_exact=True)


def test_a_study_measured_in_two_runs_has_the_same_pool_and_tables(tmp_path):
    whole = measured(study(tmp_path / "a"))
    part = study(tmp_path / "b", washes=WASHES[:2])
    measured(part)

    both = measured(study(part))

    assert told(both) == told(whole)
    for name in OF_CHANGES:
        assert_frame_equal(
            analyse(both).frames[name], analyse(whole).frames[name], check_exact=True
        )


def test_all_but_changes_between_photos_stays_as_it_is(tmp_path):
    pooled = measured(study(tmp_path))
    alone = replace(pooled, pools=())

    assert pooled.pools
    for name in COLUMNS.keys() - {*OF_CHANGES, "drift", "comparison"}:
        one, other = (analyse(outcome).frames[name] for outcome in (pooled, alone))
        assert_frame_equal(one, other, check_exact=True)
    points = {"fade": ["delta_e", "dL", "dC", "dH", "colour_left"], "uptake": ["delta_e", "dL"]}
    for name, columns in points.items():
        told = [analyse(outcome).frames[name][columns] for outcome in (pooled, alone)]
        assert_frame_equal(*told, check_exact=True)


def test_a_later_photo_moves_no_point_and_every_interval_holds_its_own(tmp_path):
    """Issue of the pool that re-centred: colour left of photos that nobody touched stayed."""
    first = analyse(measured(study(tmp_path / "a", washes=WASHES[:3]))).frames["fade"]
    later = analyse(measured(study(tmp_path / "b"))).frames["fade"]

    points = ["zone", "wash", "delta_e", "dL", "dC", "dH", "colour_left"]
    stayed = later[later.wash < 2][points].reset_index(drop=True)
    assert_frame_equal(first[points].reset_index(drop=True), stayed, check_exact=True)
    told = later[later.colour_left.notna()]
    assert len(told) > 0
    assert (told.colour_left_low <= told.colour_left).all()
    assert (told.colour_left <= told.colour_left_high).all()


def away_of(colours, *, seed=1, hair=1.0):
    """Draws of one photo about its answer at colours (n, 3): 1.0 of chart, `hair` of hair."""
    spread = HairSpread(at=colours, root=np.tile(hair * np.eye(3), (len(colours), 1, 1)))
    chart = np.random.default_rng(seed).standard_normal((256, 1, 3))
    return chart + spread.draws(photo_field(256)), spread


def shot(photo="a", *, pool=None, session="", hair="T1", **more):
    return Shot(photo=photo * 64, pool=pool, session=session, hair=hair, **more)


def pool_of(name="7", *, alike, within=0.0):
    return Pool(name=name * 12, photos=("a" * 64, "b" * 64), alike=alike, within=within)


def agreement(one, other):
    """Correlation of rows of two sets of draws, over all axes."""
    return float((one * other).sum() / np.sqrt((one**2).sum() * (other**2).sum()))


# of 768 numbers in 256 rows: four standard errors, with room for draws that are not quite normal
LOOSE = 4 / np.sqrt(768) + 0.03


@pytest.mark.parametrize("alike", [0.0, 0.6, 1.0])
def test_photos_of_a_pool_go_together_as_far_as_their_charts_are_misread_alike(alike):
    away, spread = away_of(GREY, hair=1e-6)
    pool = pool_of(alike=alike)

    one, two = (world_draws(away, spread, shot(p, pool=pool)) for p in "ab")

    assert agreement(one, two) == pytest.approx(CHART * alike, abs=LOOSE)
    for draws in (one, two):  # the law of one photo stays
        assert draws.std() == pytest.approx(away.std(), rel=0.06)


def test_photos_of_one_session_go_together_further_than_others():
    away, spread = away_of(GREY, hair=1e-6)
    pool = pool_of(alike=0.5, within=0.9)

    spring, too, summer = (
        world_draws(away, spread, shot(photo, pool=pool, session=session))
        for photo, session in (("a", "spring"), ("b", "spring"), ("c", "summer"))
    )

    assert agreement(spring, too) == pytest.approx(0.9 * CHART, abs=LOOSE)
    assert agreement(spring, summer) == pytest.approx(0.5 * CHART, abs=LOOSE)


def test_photos_of_two_pools_or_of_none_have_nothing_of_their_charts_in_common():
    away, spread = away_of(GREY, hair=1e-6)
    pools = [pool_of(name, alike=1.0) for name in "12"]

    one, two, none, no = (
        world_draws(away, spread, shot(photo, pool=pool))
        for photo, pool in (("a", pools[0]), ("b", pools[1]), ("c", None), ("d", None))
    )

    for first, second in ((one, two), (one, none), (none, no)):
        assert abs(agreement(first, second)) < LOOSE


def test_the_spectrum_behind_a_hair_is_the_same_in_all_its_photos():
    """Nothing but hair in the draws: one pool all of it, two cameras a part, two hairs none."""
    path = GREY + np.linspace(0, 30, 7)[:, None] * np.array([0.6, 0.8, 0.0])
    spread = HairSpread(at=path, root=np.tile(np.eye(3), (7, 1, 1)))
    away = spread.draws(photo_field(256))
    one, other = pool_of("1", alike=1.0), pool_of("2", alike=1.0)

    first, same, camera, hair = (
        world_draws(away, spread, shot(photo, pool=pool, hair=hair))
        for photo, pool, hair in (
            ("a", one, "T1"), ("b", one, "T1"), ("c", other, "T1"), ("d", one, "T2"),
        )
    )  # fmt: skip

    assert agreement(first, same) == pytest.approx(1.0, abs=1e-6)
    assert agreement(first, camera) == pytest.approx(ANY_CAMERA, abs=LOOSE)
    assert abs(agreement(first, hair)) < LOOSE
    # along a fade of 30 by the Gaussian law; its cosines are right to about 0.1
    law = np.exp(-0.5 * (30 / HAIR_LENGTH) ** 2)
    assert agreement(first[:, 0], same[:, -1]) == pytest.approx(law, abs=0.1)


def test_hair_of_one_dye_goes_together_and_hair_before_it_only_in_part():
    away, spread = away_of(GREY)
    away = away - away_of(GREY, hair=1e-6)[0]
    pool = pool_of(alike=1.0)

    dyed, alike, before = (
        world_draws(away, spread, shot(hair=hair, pool=pool, dye=dye, is_before=is_before))
        for hair, dye, is_before in (("T1", "d", False), ("T2", "d", False), ("T1", "d", True))
    )

    assert agreement(dyed, alike) == pytest.approx(SAME_DYE, abs=LOOSE)
    assert agreement(dyed, before) == pytest.approx(np.sqrt(BASE), abs=LOOSE)


def test_readings_tie_rows_down_as_the_linear_law_says():
    """Second implementation: the update of the covariance of few normal numbers, in full."""
    rng = np.random.default_rng(3)
    rows = rng.standard_normal((256, 12)) @ rng.normal(0, 1, (12, 12))
    noise, gap = 0.3 * np.eye(6), rng.normal(0, 1, 6)

    weights, along, kept = tie_down(rows[:, :6], noise, gap)
    after = rows - along @ ((1 - kept)[:, None] * (along.T @ rows))

    law = rows.T @ rows / 256
    gain = law[:, :6] @ np.linalg.inv(law[:6, :6] + noise)
    assert weights @ rows == pytest.approx(gain @ gap, abs=1e-9)
    assert after.T @ after / 256 == pytest.approx(law - gain @ law[:6], abs=1e-9)


def common_error(hair):
    """Correlation of the L* errors of wash 0 and wash 2 in the roots, row by row."""
    moved = [hair.states[wash].pooled["roots"] for wash in (0, 2)]
    return float(np.corrcoef(*(m.draws[:, 0].astype(float) - m.lab[0] for m in moved))[0, 1])


def test_a_change_between_photos_of_a_pool_is_told_more_narrowly(tmp_path):
    """Photos whose draws are one and the same: only fibres and laying are left of a change."""
    same = "look 1 same draws"
    pooled = measured(study(tmp_path / "a", look=same))
    alone = measured(study(tmp_path / "b", look=f"{same} unkept"))
    frames = [analyse(outcome).frames["fade"] for outcome in (pooled, alone)]

    width = [(f.colour_left_high - f.colour_left_low)[f.wash > 0] for f in frames]
    assert (width[0].to_numpy() < width[1].to_numpy()).all()
    assert set(frames[0].pool) == {pooled.pools[0].name}
    assert set(frames[1].pool) == {""}
    (hair,) = hairs_of(pooled)
    assert common_error(hair) == pytest.approx(CHART, abs=0.05)
    (hair,) = hairs_of(alone)
    assert abs(common_error(hair)) < 0.25  # 4 standard errors of 256 rows
    points = ["delta_e", "colour_left"]
    assert_frame_equal(*(frame[points] for frame in frames), check_exact=True)


@pytest.mark.parametrize(
    "looks",
    [("look 1 camera A", "look 1 camera B"), ("look 1", "look 2"), ("look 1 camera A", "look 1")],
    ids=["named", "by its pattern", "one of them not named"],
)
def test_two_cameras_are_never_pooled(tmp_path, looks):
    own = dict(zip(WASHES, (looks[0], looks[0], looks[1], looks[1]), strict=True))

    outcome = measured(study(tmp_path, own=own))

    assert len(outcome.pools) == 2
    of = {row.row.wash_text: outcome.pool_of[row.sha256].name for row in outcome.rows}
    assert of["before"] == of["0"] != of["1"] == of["2"]
    assert set(analyse(outcome).frames["fade"].pool) == {" ".join(sorted(set(of.values())))}
    (hair,) = hairs_of(outcome)
    assert abs(common_error(hair)) < 0.25  # 4 standard errors of 256 rows


def test_a_picture_whose_look_changes_each_time_is_not_pooled(tmp_path):
    """As a phone may do it; each photo then stands by itself, as without pools."""
    own = {wash: f"look {k} camera A" for k, wash in enumerate(WASHES)}
    changing = measured(study(tmp_path / "a", own=own))
    alone = measured(study(tmp_path / "b", own={w: f"{t} unkept" for w, t in own.items()}))

    assert not changing.pools
    assert set(analyse(changing).frames["fade"].pool) == {""}
    assert "photos" in notes(alone)


def test_the_odd_photo_out_is_named(tmp_path):
    outcome = measured(study(tmp_path, own={"2": "look 9"}))

    assert len(outcome.pools[0].photos) == 3
    assert "photos/T1_2.jpg is in no pool: another camera, or a look" in notes(outcome)


def test_one_photo_makes_no_pool_and_changes_nothing(tmp_path):
    one = measured(study(tmp_path / "a", washes=("0",)))

    assert not one.pools
    assert "pool" not in notes(one).lower()


def test_photos_stored_without_their_reading_are_left_out_and_named(tmp_path):
    outcome = measured(study(tmp_path, own={"1": "look 1 unkept"}))

    (pool,) = outcome.pools
    assert len(pool.photos) == 3
    assert "photos/T1_1.jpg is in no pool: an older version measured it" in notes(outcome)
    assert analyse(outcome).frames["fade"].pool.eq(pool.name).all()


@pytest.mark.parametrize("change", ["added", "removed", "changed"])
def test_tables_written_with_another_pool_are_called_stale(tmp_path, change):
    folder = study(tmp_path, washes=WASHES[:3])
    before = measured(folder)
    write_pools(before.pools, folder / "results")
    assert "stale" not in notes(measured(folder))
    if change == "added":
        study(folder)
    elif change == "removed":
        write_study(folder, series(("T1",), WASHES[:2], section="", session="a"))
    else:  # another photo under another name, as the sheet must have it
        rows = series(("T1",), WASHES[:3], section="", session="a")
        rows[2]["photo"] = "photos/T1_1_again.jpg"
        (folder / "photos/T1_1_again.jpg").write_text("lab 44 21 12 look 1 of T1, once more")
        write_study(folder, rows)

    after = measured(folder)

    assert f"written with pool {before.pools[0].name}, the photos now make " in notes(after)
    assert after.pools[0].name in notes(after)
    assert after.pools[0].name != before.pools[0].name


def test_json_and_report_tell_the_pools(tmp_path):
    outcome = measured(study(tmp_path))

    told_json = json.loads(outcome.to_json())
    page = write_report(analyse(outcome), out=tmp_path / "out").read_text(encoding="utf-8")

    (pool,) = told_json["pools"]
    assert pool["photos"] == list(outcome.pools[0].photos)
    assert pool["drift"][0]["photos"] == 4
    assert f"Pool {pool['name']}: 4 photos come from one camera set-up" in page
    assert f"pool {pool['name']}, mean ΔE₀₀ from all its photos: a 0.00" in page
    assert json.loads((tmp_path / "out/pools.json").read_text())[0]["name"] == pool["name"]
    assert (tmp_path / "out/drift.csv").read_text().startswith("pool,session,photos,delta_e")


def test_a_purged_subject_is_in_no_pool_and_in_no_file_about_pools(tmp_path):
    folder = study(tmp_path, subjects=("SECRET", "T2"))
    before = measured(folder)
    write_pools(before.pools, folder / "results")

    purge_subject(read_study(folder), "SECRET")

    assert not (folder / "results/pools.json").exists()
    write_study(folder, series(("T2",), WASHES, section="", session="a"))
    after = measured(folder)
    gone = {row.sha256 for row in before.rows if row.row.subject == "SECRET"}
    assert not gone & set(after.pools[0].photos)
    assert told(after) == told(measured(study(tmp_path / "b", subjects=("T2",))))


def test_drift_between_sessions_is_tabled_and_told(tmp_path):
    folder = study(tmp_path, own={"2": "look 1 drift 2 camera A"}, look="look 1 camera A")
    rows = series(("T1",), WASHES, section="", session="spring")
    rows[-1]["session"] = "summer"
    write_study(folder, rows)

    found = analyse(measured(folder))

    table = found.frames["drift"].set_index("session")
    # a turn by 2 in one photo of four: 1.5 from the mean of all, 0.5 for the others
    assert table.delta_e["summer"] == pytest.approx(1.5, abs=0.05)
    assert table.delta_e["spring"] == pytest.approx(0.5, abs=0.05)
    assert list(table.photos) == [3, 1]
    (flag,) = [flag for flag in found.warnings if flag.code == "chart-drift"]
    assert "The 1 photos of session summer differ by 1.5" in flag.says


def test_tables_keep_every_column_and_name_the_pool_last():
    for name in NAMING_POOLS:
        assert COLUMNS[name][-1] == "pool"
        assert "pool" not in COLUMNS[name][:-1]


READINGS = '\n[readings]\nfile = "readings.csv"\n'


def with_reading(folder, lab, *, subject="T1"):
    """A study whose photos share their error, with one reading of wash 0 in every zone."""
    study(folder, subjects=("T1", "T2"), look="look 1 same draws")
    (folder / "study.toml").write_text(TITLE + READINGS, encoding="utf-8")
    rows = "".join(
        f"{subject},,0,1,{zone},{lab[0]},{lab[1]},{lab[2]},D65/10,45/0,one\n" for zone in ZONES
    )
    head = "subject,section,wash,replicate,zone,L,a,b,viewing,geometry,instrument\n"
    (folder / "readings.csv").write_text(head + rows, encoding="utf-8")
    return analyse(measured(folder))


def test_one_reading_ties_the_whole_study_down(tmp_path):
    far = (LABS["0"][0] + 0.6, *LABS["0"][1:])
    alone = analyse(measured(study(tmp_path / "a", subjects=("T1", "T2"), look=SAME)))
    tied = with_reading(tmp_path / "b", far)

    before, after = (found.frames["measurements"] for found in (alone, tied))
    assert (after.u95 < before.u95).all()  # of the other hair and of other washes, too
    moved = after.L - before.L
    assert (moved > 0).all()
    assert (moved < 0.6).all()
    (said,) = (flag.says for flag in tied.warnings if flag.code == "readings-move")
    assert "move the colours of the hairs that were read by 0." in said
    used = [flag for flag in tied.warnings if flag.code == "reading-used"]
    assert len(used) == 3
    assert all(flag.is_note for flag in used)
    fades = [found.frames["fade"] for found in (alone, tied)]
    widths = [(f.colour_left_high - f.colour_left_low)[f.wash > 0] for f in fades]
    assert (widths[1] <= widths[0] * 1.02).all()  # a curve's own rounding


def test_a_reading_far_off_is_named_and_changes_nothing(tmp_path):
    alone = analyse(measured(study(tmp_path / "a", subjects=("T1", "T2"), look=SAME)))
    told = with_reading(tmp_path / "b", (LABS["0"][0] + 15.0, *LABS["0"][1:]))

    off = [flag for flag in told.warnings if flag.code == "reading-off"]
    assert len(off) == 3
    assert not any(flag.is_note for flag in off)
    for name in ("measurements", "fade", "uptake"):
        assert_frame_equal(alone.frames[name], told.frames[name], check_exact=True)


@pytest.mark.parametrize("version", ["0.2", "0.3"])
def test_what_an_older_version_measured_stays_readable_and_stands_alone(tmp_path, version):
    """0.2 kept no chart reading, 0.3 one without the law of its draws; the photo is gone."""
    folder = study(tmp_path)
    measured(folder)
    name = "photos/T1_1.jpg"
    with Store(folder / "results", write=True) as store:
        kept = store.get(name)
        record = json.loads(kept.record)
        if version == "0.2":
            del record["reading"]
        else:
            del record["reading"]["law"]
        old = Packed(
            sha256=kept.sha256,
            status=kept.status,
            record=json.dumps(record),
            arrays=store.draws(kept.draws),
        )
        store.put(name, old, recipe="of an older version")
    (folder / name).unlink()

    outcome = measured(folder)

    (row,) = (row for row in outcome.rows if row.row.photo == name)
    assert [flag.code for flag in row.flags] == ["source-missing"]
    assert "by another version" in row.flags[0].says
    (pool,) = outcome.pools
    assert row.sha256 not in pool.photos
    assert len(pool.photos) == 3
    assert f"{name} is in no pool: an older version measured it" in notes(outcome)
    assert set(analyse(outcome).frames["fade"].wash) == {0, 1, 2}


def test_one_more_photo_measures_no_other_again(tmp_path, monkeypatch):
    folder = study(tmp_path, washes=WASHES[:3])
    measured(folder)
    asked = []

    def spy(request):
        asked.append(request.name)
        return measure_fast(request)

    monkeypatch.setattr("folders.measure_fast", spy)
    both = measured(study(folder))

    assert asked == ["photos/T1_2.jpg"]
    assert len(both.pools[0].photos) == 4
