"""Photos of one camera go together, and what that changes and does not change."""

from __future__ import annotations

import json
import random
from dataclasses import replace

import numpy as np
import pytest
from folders import measured, measured_by_children, series, write_study
from pandas.testing import assert_frame_equal

from hairtone.report.page import write_report
from hairtone.study.analysis import COLUMNS, analyse
from hairtone.study.editing import purge_subject
from hairtone.study.observations import hairs_of
from hairtone.study.pools import Pool, write_pools
from hairtone.study.sheet import read_study

WASHES = ("before", "0", "1", "2")
LABS = {"before": (60, 5, 20), "0": (40, 25, 10), "1": (44, 21, 12), "2": (47, 18, 14)}
OF_CHANGES = ("fade", "fade_fit", "crossing")  # tables that difference photos


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
    assert f"Pool {pool.name}: 4 photos by one camera" in notes(outcome)


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
    for name in COLUMNS.keys() - {*OF_CHANGES, "drift"}:
        one, other = (analyse(outcome).frames[name] for outcome in (pooled, alone))
        assert_frame_equal(one, other, check_exact=True)
    fades = [analyse(outcome).frames["fade"] for outcome in (pooled, alone)]
    assert_frame_equal(*(f[["delta_e", "dL", "dC", "dH"]] for f in fades), check_exact=True)


def test_draws_of_a_photo_are_the_same_ones_in_another_order():
    pool = Pool(name="0" * 11 + "7", photos=("a" * 64, "b" * 64), alike=0.75)

    one, two = (pool.rows(photo, draws=256) for photo in pool.photos)

    assert sorted(one) == sorted(two) == list(range(256))
    assert (one[:192] == two[:192]).all()
    # of 64 rows in two random orders one meets its fellow on average: 8 would be 1 in 10^5
    assert (one[192:] == two[192:]).sum() < 8


def test_rows_of_two_pools_have_nothing_in_common():
    pools = [Pool(name=f"{k:012x}", photos=("a" * 64, "b" * 64), alike=1.0) for k in (1, 2)]

    one, two = (pool.rows("a" * 64, draws=256) for pool in pools)

    assert (one == two).sum() < 8  # as above


def common_error(outcome, hair):
    """Correlation of the L* errors of wash 0 and wash 2 in the roots, row by row."""
    states = hair.states
    moved = [states[wash].joined.pooled["roots"] for wash in (0, 2)]
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
    assert common_error(pooled, hair) > 0.9
    (hair,) = hairs_of(alone)
    assert abs(common_error(alone, hair)) < 0.25  # 4 standard errors of 256 rows


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
    assert abs(common_error(outcome, hair)) < 0.25  # 4 standard errors of 256 rows


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
    assert "photos/T1_1.jpg is in no pool: no chart reading is kept of it" in notes(outcome)
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
    assert f"Pool {pool['name']}: 4 photos by one camera misread the chart alike" in page
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
    assert "The 1 photos of session summer read the chart 1.5" in flag.says


def test_tables_keep_every_column_and_name_the_pool_last():
    for name in OF_CHANGES:
        assert COLUMNS[name][-1] == "pool"
        assert "pool" not in COLUMNS[name][:-1]
