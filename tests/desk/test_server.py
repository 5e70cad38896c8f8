"""Who is let in, what a page may load, and that nothing leads out of the folder."""

from __future__ import annotations

import json
import os
import time

import pytest
from served import running_desk

PAGES = ("/desk", "/desk/new", "/desk/alive")


def make(desk, code, kind="practice head", **more):
    status, told = desk.do("/desk/do/new", {"kind": kind, "code": code, "age": "yes", **more})
    assert status == 200, told
    return desk.base / code


def place(desk, code, photo, wash, **more):
    return desk.do(f"/desk/s/{code}/do/place", {"photo": photo, "wash": wash, **more})


def test_the_token_is_needed_and_leaves_the_address_at_once(desk):
    for page in PAGES:
        status, _, body = desk.ask("GET", page, known=False)
        assert status == 403
        assert b"xsrf" not in body.lower()
    status, headers, _ = desk.ask("GET", f"/desk?token={desk.token}", known=False)

    assert status == 302
    assert headers["Location"] == "/desk"
    assert "HttpOnly" in headers["Set-Cookie"]
    assert desk.ask("GET", "/desk?token=wrong", known=False)[0] == 403


def test_the_token_is_in_no_log_and_on_no_command_line(desk):
    desk.ask("GET", "/desk/nothing-here")
    desk.ask("GET", f"/desk/s/none/photos?token={desk.token}")
    printed = desk.log.read_text(errors="replace")

    assert printed.count(desk.token) == 1  # the line that says the address
    lines = []
    for pid in filter(str.isdigit, os.listdir("/proc") if os.path.isdir("/proc") else []):
        try:
            with open(f"/proc/{pid}/cmdline", "rb") as file:
                lines.append(file.read())
        except OSError:
            continue
    assert not [line for line in lines if desk.token.encode() in line]


def test_a_foreign_host_is_refused(desk):
    assert desk.ask("GET", "/desk", headers={"Host": "salon.example"})[0] == 403


def test_a_forged_request_is_refused_and_changes_nothing(desk):
    before = sorted(desk.base.iterdir())
    status, _ = desk.do("/desk/do/new", {"kind": "practice head", "code": "H77"}, xsrf=False)
    foreign = {"Content-Type": "application/json", "Origin": "http://elsewhere.example",
               "X-XSRFToken": desk.cookies["_xsrf"]}  # fmt: skip
    told = json.dumps({"kind": "practice head", "code": "H78"})

    assert status == 403
    assert desk.ask("POST", "/desk/do/new", body=told, headers=foreign)[0] in (403, 404)
    assert sorted(desk.base.iterdir()) == before


def test_a_page_may_load_nothing_from_elsewhere_and_run_nothing_written_into_it(desk):
    _, headers, body = desk.ask("GET", "/desk/new")
    policy = dict(
        part.strip().split(" ", 1) for part in headers["Content-Security-Policy"].split(";")
    )

    assert policy["default-src"] == "'none'"
    assert policy["script-src"] == policy["style-src"] == policy["connect-src"] == "'self'"
    assert policy["frame-ancestors"] == "'none'"
    assert headers["Cache-Control"] == "no-store"
    assert b" style=" not in body
    assert b" onclick=" not in body
    for name in ("desk.js", "desk.css", "picker.js", "picker.css"):
        status, _, text = desk.ask("GET", f"/static/hairtone_desk/{name}")
        assert status == 200
        assert b"https://" not in text


@pytest.mark.parametrize(
    "path",
    [
        "/desk/s/..%2F..%2Fetc/photos",
        "/desk/s/%2e%2e/photos",
        "/desk/s/none/photos",
        "/desk/s/PATHS/picture?photo=../../secret.jpg&longest=240",
        "/desk/s/PATHS/picture?photo=/etc/passwd&longest=240",
        "/desk/s/PATHS/picture?photo=photos/gone.jpg&longest=240",
        "/desk/s/PATHS/picture?photo=study.toml&longest=7",
        "/desk/s/PATHS/line?photo=..%2Fsecret.jpg",
        "/desk/s/PATHS/written/..%2Fstudy.toml",
        "/desk/s/PATHS/written/results.sqlite",
        "/desk/s/PATHS/secrets",
    ],
)
def test_no_address_leads_out_of_what_the_page_shows(desk, path):
    if not (desk.base / "PATHS").exists():
        make(desk, "PATHS")
        (desk.base / "secret.jpg").write_bytes(b"secret")
        (desk.base / "PATHS/results").mkdir()
        (desk.base / "PATHS/results/results.sqlite").write_bytes(b"secret")
    status, _, body = desk.ask("GET", path)

    assert status == 404
    assert b"secret" not in body.replace(b"secrets", b"")


def test_hostile_text_is_shown_as_text(desk):
    folder = make(desk, "HOSTILE")
    (folder / "photos").mkdir(exist_ok=True)
    (folder / "photos/<img src=x onerror=alert(1)>.jpg").write_bytes(b"no photo")
    text = (folder / "study.toml").read_text().replace('board = ""', "")
    (folder / "study.toml").write_text(
        text.replace('title = "HOSTILE"', "title = '<script>1</script>'")
    )

    for page in ("/desk", "/desk/s/HOSTILE/photos", "/desk/s/HOSTILE/record"):
        status, _, body = desk.ask("GET", page)
        assert status == 200
        assert b"<script>1" not in body
        assert b"<img src=x" not in body


def test_a_code_is_asked_for_and_a_name_is_warned_of(desk):
    status, told = desk.do("/desk/do/new", {"kind": "person", "code": "Anna", "age": "yes"})
    assert (status, told["sure"]) == (200, True)
    assert "looks like a name" in told["warns"][0]
    assert not (desk.base / "Anna").exists()

    for code in ("", "../X", "a/b", ".hidden", "CON"):
        assert desk.do("/desk/do/new", {"kind": "practice head", "code": code})[0] == 422


@pytest.mark.parametrize("age", ["no", ""])
def test_no_record_is_opened_for_a_person_under_16_or_of_unknown_age(desk, age):
    status, told = desk.do("/desk/do/new", {"kind": "person", "code": "P16", "age": age})

    assert status == 422
    assert "under 16" in told["lines"][0]
    assert not (desk.base / "P16").exists()


def test_chart_lamp_and_board_are_offered_again(desk):
    make(desk, "KEEPS", chart="chart24-before-2014-11", width="250", height="165",
         lamp="two panels", board="grey board 2")  # fmt: skip
    body = desk.ask("GET", "/desk/new")[2].decode()

    assert 'value="chart24-before-2014-11" selected' in body
    assert 'value="two panels"' in body
    assert 'value="grey board 2"' in body
    assert 'value="250"' in body


def test_what_is_no_photo_is_refused_and_nothing_of_it_is_left(desk):
    folder = make(desk, "SENDS")
    status, told = desk.send("SENDS", "notes.txt", b"text")

    assert status == 422
    assert "notes.txt is no photo" in told["lines"][0]
    assert not list((folder / "photos").glob("*")) if (folder / "photos").exists() else True


def test_sixty_megabytes_are_streamed_to_the_disk(desk):
    folder = make(desk, "LARGE")
    data = os.urandom(1 << 20) * 64
    began = time.monotonic()
    status, told = desk.send("LARGE", "IMG 1.DNG", data)

    assert status == 200
    assert (folder / told["photo"]).read_bytes() == data
    assert time.monotonic() - began < 30  # 0.1 s on a quiet machine
    assert [path.name for path in (folder / "photos").iterdir()] == ["IMG 1.DNG"]


def test_two_photos_of_one_name_are_both_kept(desk):
    make(desk, "TWINS")
    names = [desk.send("TWINS", "IMG_1.JPG", bytes([n]))[1]["photo"] for n in (1, 2)]

    assert names == ["photos/IMG_1.JPG", "photos/IMG_1-2.JPG"]


def test_a_photo_waits_until_someone_says_what_it_shows(desk):
    folder = make(desk, "WAITS")
    desk.send("WAITS", "a.jpg", b"no photo")
    assert b"What do these show?" in desk.ask("GET", "/desk/s/WAITS/photos")[2]

    status, told = place(desk, "WAITS", "photos/a.jpg", "x")
    assert (status, told["code"]) == (422, "no-wash")
    assert "photos/a.jpg" not in (folder / "photos.csv").read_text("utf-8-sig")

    place(desk, "WAITS", "photos/a.jpg", "8", about=True, section="back left")
    text = (folder / "photos.csv").read_text("utf-8-sig")
    assert "photos/a.jpg,WAITS,8,back left" in text
    assert "about 8 washes" in text
    place(desk, "WAITS", "photos/a.jpg", "0", section="back left", treatment="colour")
    text = (folder / "photos.csv").read_text("utf-8-sig")
    assert "about" not in text
    assert b"What do these show?" not in desk.ask("GET", "/desk/s/WAITS/photos")[2]


def field(name, was, now, code="REC", **more):
    return {"name": name, "subject": code, "section": "", "treatment": "colour",
            "was": was, "now": now, **more}  # fmt: skip


def test_the_record_is_kept_before_the_first_photo_and_moves_into_its_row(desk):
    folder = make(desk, "REC")
    assert desk.do("/desk/s/REC/do/field", field("start_depth", "", "6"))[0] == 200
    assert b'value="6"' in desk.ask("GET", "/desk/s/REC/record")[2]

    desk.send("REC", "a.jpg", b"no photo")
    place(desk, "REC", "photos/a.jpg", "before")

    assert "6" in (folder / "photos.csv").read_text("utf-8-sig")
    assert not list(folder.glob("record-*"))
    assert b'value="6"' in desk.ask("GET", "/desk/s/REC/record")[2]


def test_a_change_made_elsewhere_is_never_overwritten(desk):
    folder = make(desk, "TABS")
    do = "/desk/s/TABS/do/field"
    assert desk.do(do, field("product", "", "copper", code="TABS"))[0] == 200

    status, told = desk.do(do, field("product", "", "red", code="TABS"))
    assert (status, told["now"]) == (409, "copper")
    assert 'product = "copper"' in (folder / "study.toml").read_text()

    desk.send("TABS", "a.jpg", b"no photo")
    place(desk, "TABS", "photos/a.jpg", "0", treatment="colour")
    sheet = folder / "photos.csv"
    assert desk.do(do, field("notes", "", "one", code="TABS"))[0] == 200
    sheet.write_text(sheet.read_text("utf-8-sig").replace("one", "by spreadsheet"), "utf-8-sig")
    status, told = desk.do(do, field("notes", "one", "two", code="TABS"))
    assert (status, told["now"]) == (409, "by spreadsheet")
    assert "by spreadsheet" in sheet.read_text("utf-8-sig")


def test_a_change_made_elsewhere_is_noticed(desk):
    folder = make(desk, "SEEN")
    before = json.loads(desk.ask("GET", "/desk/alive?code=SEEN")[2])["version"]
    with (folder / "study.toml").open("a") as file:
        file.write("# by hand\n")

    assert json.loads(desk.ask("GET", "/desk/alive?code=SEEN")[2])["version"] != before


def test_comments_and_foreign_keys_of_the_settings_stay(desk):
    folder = make(desk, "KEPT")
    with (folder / "study.toml").open("a") as file:
        file.write("# a remark of mine\n")
    desk.do("/desk/s/KEPT/do/field", field("shade", "", "7", code="KEPT"))

    text = (folder / "study.toml").read_text()
    assert "# a remark of mine" in text
    assert 'shade = "7"' in text


def test_skin_test_under_48_hours_or_without_times_is_said(desk):
    make(desk, "P48", kind="person")
    do = "/desk/s/P48/do/field"
    desk.do(do, field("service", "", "2026-03-04T08:00", code="P48"))
    _, told = desk.do(do, field("skin_test", "", "2026-03-02T23:00", code="P48"))
    assert any("33 hours" in text for text in told["safety"])

    _, told = desk.do(do, field("skin_test", "2026-03-02T23:00", "2026-03-02", code="P48"))
    assert any("may be too short" in text for text in told["safety"])

    _, told = desk.do(do, field("skin_test", "2026-03-02", "2026-03-02T07:59", code="P48"))
    assert not any("hours" in text or "short" in text for text in told["safety"])


def test_an_answer_that_is_none_is_refused_with_what_to_write(desk):
    make(desk, "ODD")
    do = "/desk/s/ODD/do/field"

    assert "such as 8" in desk.do(do, field("section_mm", "", "thick", code="ODD"))[1]["lines"][0]
    assert (
        "hours and minutes" in desk.do(do, field("start", "", "later", code="ODD"))[1]["lines"][0]
    )
    assert desk.do(do, field("porosity_ends", "", "wet", code="ODD"))[0] == 422
    assert desk.do(do, field("consent", "", "x", code="ODD"))[0] == 400


def test_each_use_needs_its_own_consent_and_withdrawing_removes_pictures(desk):
    folder = make(desk, "PC", kind="person")
    do = "/desk/s/PC/do/consent"
    for use in ("teach", "measure"):
        assert desk.do(do, {"subject": "PC", "use": use, "on": True})[0] == 200
    assert 'consent = ["measure", "teach"]' in (folder / "study.toml").read_text()
    (folder / "results").mkdir(exist_ok=True)
    (folder / "results/page-client-PC.html").write_text("a picture")

    _, told = desk.do(do, {"subject": "PC", "use": "teach", "on": False})

    assert "1 page or picture was removed" in told["lines"][0]
    assert 'consent = ["measure"]' in (folder / "study.toml").read_text()
    assert not list((folder / "results").glob("*.html"))


def test_a_removed_person_is_in_no_file(desk):
    folder = make(desk, "SECRET1", kind="person")
    desk.send("SECRET1", "a.jpg", b"no photo")
    place(desk, "SECRET1", "photos/a.jpg", "before")
    (folder / "results/previews").mkdir(parents=True)
    (folder / "photos/.incoming-1").write_bytes(b"half")
    page = desk.ask("GET", "/desk/s/SECRET1/remove")[2].decode()
    assert "a.jpg" in page
    assert "1 half-received files" in page.replace("small pictures and ", "")

    status, _ = desk.do("/desk/s/SECRET1/do/remove", {"subject": "SECRET1", "typed": "secret1"})
    assert status == 422
    assert folder.exists()
    status, told = desk.do("/desk/s/SECRET1/do/remove", {"subject": "SECRET1", "typed": "SECRET1"})

    assert (status, told["goto"]) == (200, "/desk")
    assert not folder.exists()
    assert b"SECRET1" not in desk.ask("GET", "/desk")[2]


def test_one_of_several_is_removed_and_the_others_stay(desk):
    folder = make(desk, "TEST9", kind="tress", count=2)
    for name, subject in (("a.jpg", "T1"), ("b.jpg", "T2")):
        desk.send("TEST9", name, b"no photo")
        place(desk, "TEST9", f"photos/{name}", "before", subject=subject)
    (folder / "my-notes.txt").write_text("mine")

    status, told = desk.do("/desk/s/TEST9/do/remove", {"subject": "T1", "typed": "T1"})

    assert status == 200
    assert any("my-notes.txt" in line for line in told["lines"])
    assert [p.name for p in (folder / "photos").iterdir()] == ["b.jpg"]
    assert "T1" not in (folder / "photos.csv").read_text("utf-8-sig")
    assert "[subjects.T1]" not in (folder / "study.toml").read_text().replace("# [subjects.T1]", "")
    assert "T2" in (folder / "photos.csv").read_text("utf-8-sig")


def test_a_broken_sheet_is_said_and_left_alone(desk):
    folder = make(desk, "BROKEN")
    (folder / "photos.csv").write_text('photo,subject\n"open', "utf-8")
    body = desk.ask("GET", "/desk/s/BROKEN/photos")[2].decode()

    assert "never closed" in body
    assert "nothing here can be changed" in body
    assert (folder / "photos.csv").read_text() == 'photo,subject\n"open'


def test_the_same_desk_opens_jupyterlab(desk):
    status, _, body = desk.ask("GET", "/lab")

    assert status == 200
    assert b"JupyterLab" in body


def test_a_page_stays_known_after_the_desk_was_started_again(tmp_path):
    (tmp_path / "base").mkdir()
    with running_desk(tmp_path / "base", tmp_path / "private") as first:
        port, cookies = first.port, dict(first.cookies)
    with running_desk(tmp_path / "base", tmp_path / "private", port=port) as second:
        second.cookies = cookies
        assert second.port == port
        assert second.ask("GET", "/desk")[0] == 200
        status, _ = second.do("/desk/do/new", {"kind": "practice head", "code": "H1"})

        assert status == 200
