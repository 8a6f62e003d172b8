"""Drafts on the phone against other local pages: they read nothing, and what they break is said."""

from __future__ import annotations

import base64
import json
from pathlib import Path

import pytest
from playwright.sync_api import expect

from geo import assess
from geo.publish.record.page import record_page
from geo.visits import choose_units, visit_plans
from layers import read_county
from layers.records import parse_day_file
from layers.settings.visit_list import load_visit_list
from support.record_page import until_kept

pytestmark = pytest.mark.browser
PHONE = {"width": 390, "height": 844}
KEY, OTHER_KEY = bytes(range(32)), bytes(range(1, 33))
SECRET = "Zweihundvierzig dogs behind the gate"
WIPED = "Another program deleted or changed"

# Another local file, as anything a person downloads and opens: it shares the browser's stores.
HOSTILE = """<!doctype html><title>other</title><script>
const opened = () => new Promise((done, no) => {
  const asked = indexedDB.open("rillmark-records");
  asked.onsuccess = () => done(asked.result);
  asked.onerror = no;
});
const all = async () => {
  const base = await opened();
  const read = (what) => new Promise((done) => {
    const asked = base.transaction("kept").objectStore("kept")[what]();
    asked.onsuccess = () => done(asked.result);
  });
  const found = [await read("getAllKeys"), await read("getAll"), { ...localStorage }];
  base.close();
  return JSON.stringify(found);
};
const readPage = (address) => fetch(address).then((r) => r.text()).catch((error) => "refused");
const empty = async () => {
  const base = await opened(), change = base.transaction("kept", "readwrite");
  change.objectStore("kept").clear();
  await new Promise((done) => { change.oncomplete = done; });
  base.close();
};
const areBothWhole = async () => { // words and photo, in each store
  const [names, , texts] = JSON.parse(await all());
  const isThere = (name) => (texts[name] || "").length > 100;
  return names.some((name) => name.includes(":photo:")) && names.length > 1 && names.every(isThere);
};
const deleteAll = () => new Promise((done) => {
  const gone = indexedDB.deleteDatabase("rillmark-records");
  gone.onsuccess = () => done("deleted");
  gone.onblocked = () => setTimeout(() => done("blocked"), 3000);
});
let holding = false;
const hold = async () => { // a transaction that never ends
  const store = (await opened()).transaction("kept", "readwrite").objectStore("kept");
  holding = true;
  await new Promise((done) => {
    const again = () => {
      if (holding) store.get("x").onsuccess = again;
      done();
    };
    again();
  });
};
</script>"""


@pytest.fixture(scope="module")
def result(tmp_path_factory):
    folder = tmp_path_factory.mktemp("county")
    rows = [f"K{n},39.7,{-85.8 + n / 500:.4f}" for n in range(1, 4)]
    (folder / "units.csv").write_text("unit_id,lat,lon\n" + "\n".join(rows) + "\n")
    (folder / "county.toml").write_text(
        '[county]\nname = "Kept County"\nas_of = 2026-04-01\n[layers.units]\npath = "units.csv"\n'
    )
    return assess(read_county(folder / "county.toml"), seed=0)


@pytest.fixture(scope="module")
def write_page(result, tmp_path_factory):
    items = load_visit_list(None)
    plans = visit_plans(result, choose_units(result, [], first=3), items)
    folder = tmp_path_factory.mktemp("pages")
    (folder / "other.html").write_text(HOSTILE, "utf-8")

    def write(name="record_staff.html", key=KEY):
        (folder / name).write_text(record_page(plans, result, items, key=key), "utf-8")
        return folder / name

    return write


@pytest.fixture
def context(browser):
    context = browser.new_context(viewport=PHONE, accept_downloads=True)
    yield context
    context.close()


def open_page(context, path):
    page = context.new_page()
    page.goto(path.as_uri())
    if "record" in path.name or "later" in path.name:
        page.get_by_role("button", name="K1").wait_for()
    return page


def open_other(context, write_page):
    return open_page(context, write_page().with_name("other.html"))


def picture(path):
    from PIL import Image

    Image.effect_noise((300, 200), 60).convert("RGB").save(path, quality=90)
    return path


def fill(page, tmp_path=None):
    page.get_by_label("Your name").fill("Kim Unvented")
    page.get_by_role("button", name="K1").click()
    page.get_by_label("completed", exact=True).check()
    page.get_by_label("Note").last.fill(SECRET)
    if tmp_path:
        page.get_by_label("Add photos").set_input_files(picture(tmp_path / "a.jpg"))
        page.wait_for_selector("img.photo")
    until_kept(page)


def export(page):
    back = page.get_by_role("button", name="Back to list")
    if back.count():
        back.first.click()
    with page.expect_download() as download:
        page.get_by_role("button", name="Export today's visits").click()
    return parse_day_file(Path(download.value.path()).read_bytes(), where="exported")


def keeps_all(page):
    """The page's note and photo after it was loaded anew."""
    page.reload()
    page.get_by_role("button", name="K1").click()
    assert page.get_by_label("Note").last.input_value() == SECRET
    assert page.locator("img.photo").count() == 1


def spellings(words):
    return [words.encode(code) for code in ("utf-8", "utf-16-le")]


def test_other_local_pages_and_the_profile_show_no_word_and_no_photo(
    with_profile, write_page, tmp_path
):
    profile = tmp_path / "profile"
    context = with_profile(profile, viewport=PHONE)
    path = write_page()
    page = open_page(context, path)
    fill(page, tmp_path)
    jpeg = page.evaluate("[...keeping.pictures.values()][0].jpeg")
    other = open_other(context, write_page)
    found = other.evaluate("all()")
    page_text = other.evaluate("readPage('record_staff.html')")
    until_kept(page)
    context.close()
    assert len(found) > len(jpeg)  # it did find what is kept
    hidden = [SECRET, "Kim Unvented", "completed", '"K1"', jpeg[200:260]]
    assert [words for words in hidden if words in found] == []
    key = base64.b64encode(KEY).decode()
    assert key not in page_text  # nor the key, out of the page's file
    raw = base64.b64decode(jpeg)[200:240]
    for file in profile.rglob("*"):
        if file.is_file():
            content = file.read_bytes()
            for words in (SECRET, "Kim Unvented", jpeg[200:260], key):
                assert not any(form in content for form in spellings(words)), (file, words)
            assert raw not in content, file


def test_tomorrows_page_of_the_same_key_opens_todays_drafts(context, write_page, tmp_path):
    page = open_page(context, write_page())
    fill(page, tmp_path)
    later = open_page(context, write_page("later.html"))
    later.get_by_role("button", name="K1").click()
    assert later.get_by_label("Note").last.input_value() == SECRET
    assert later.locator("img.photo").count() == 1


def test_drafts_of_another_key_are_told_of_and_left_alone(context, write_page, tmp_path):
    page = open_page(context, write_page())
    fill(page, tmp_path)
    before = json.loads(page.evaluate("JSON.stringify({...localStorage})"))
    other = open_page(context, write_page("later.html", OTHER_KEY))
    expect(other.locator("main")).to_contain_text("made with another key of this county")
    other.get_by_role("button", name="K1").click()
    assert other.get_by_label("Note").last.input_value() == ""
    other.get_by_label("Note").last.fill("of the other key")
    until_kept(other)
    after = json.loads(other.evaluate("JSON.stringify({...localStorage})"))
    assert {name: after[name] for name in before} == before
    assert page.evaluate("keeping.isElsewhere()") is False
    keeps_all(page)


@pytest.mark.parametrize(
    "act",
    [
        "localStorage.clear()",
        "empty()",
        "deleteAll()",
        "Promise.all([localStorage.clear(), deleteAll()])",
        "Promise.all([localStorage.clear(), empty()])",
        "Object.keys(localStorage).forEach((k) => localStorage.setItem(k, 'AAAA'))",
    ],
)
def test_what_another_page_deletes_is_said_at_once_and_written_again(
    context, write_page, tmp_path, act
):
    page = open_page(context, write_page())
    fill(page, tmp_path)
    other = open_other(context, write_page)
    other.evaluate(act)
    expect(page.locator("#state.lost")).to_contain_text(WIPED, timeout=6_000)
    page.wait_for_function("watching.alarm().includes('was saved again')")
    other.wait_for_function("areBothWhole()")  # what was wiped after a first writing, too
    (visit,) = export(page).records
    assert (visit.note, len(visit.photos)) == (SECRET, 1)
    expect(page.locator("#state")).to_contain_text(
        "Saved only on this phone"
    )  # once it is exported
    other.close()
    page.reload()
    page.get_by_role("button", name="K1").click()
    expect(page.locator("main")).to_contain_text("was exported. It cannot be changed")


def test_what_is_wiped_after_the_export_is_written_again_without_an_alarm(
    context, write_page, tmp_path
):
    page = open_page(context, write_page())
    fill(page, tmp_path)
    export(page)
    until_kept(page)
    other = open_other(context, write_page)
    other.evaluate("Promise.all([localStorage.clear(), empty()])")
    other.wait_for_function("areBothWhole()")
    expect(page.locator("#state")).to_contain_text("Saved only on this phone")


def test_what_is_wiped_between_two_letters_is_said_too(context, write_page, tmp_path):
    """A letter typed before the next look writes its own copy anew: the wipe shows all the same."""
    page = open_page(context, write_page())
    fill(page)
    page.evaluate("localStorage.clear()")
    page.get_by_label("Note").last.fill(SECRET + "!")
    expect(page.locator("#state.lost")).to_contain_text(WIPED)


@pytest.mark.parametrize("mark", ["old", "another page"])
def test_a_forged_mark_does_not_stop_the_page(context, write_page, mark):
    """Only a page with the key can say that it was opened later; an old mark says nothing."""
    name = "Object.keys(localStorage).find(k => /open$/.test(k))"
    first = open_page(context, write_page())
    old = first.evaluate(f"localStorage.getItem({name})")
    first.close()
    page = open_page(context, write_page())
    fill(page)
    page.evaluate(f"(mark) => localStorage.setItem({name}, mark)", old if mark == "old" else mark)
    expect(page.locator("#state.lost")).to_contain_text(WIPED, timeout=6_000)
    assert not page.evaluate("document.getElementById('main').inert")
    assert export(page).records[0].note == SECRET


def test_a_held_store_is_said_and_letters_go_on_into_the_other(context, write_page, tmp_path):
    page = open_page(context, write_page())
    fill(page, tmp_path)
    other = open_other(context, write_page)
    other.evaluate("hold()")
    expect(page.locator("#state.lost")).to_contain_text(
        "Another program has locked", timeout=10_000
    )
    note = page.get_by_label("Note").last
    note.fill("typed while it was held")
    until_kept(page, both=False)
    opened = page.evaluate(
        "sealing.unsealText(keeping.place(), localStorage.getItem(keeping.place()))"
    )
    assert "typed while it was held" in opened
    later = open_page(context, write_page("later.html"))  # opened meanwhile, by the other copy
    later.get_by_role("button", name="K1").click()
    assert later.get_by_label("Note").last.input_value() == "typed while it was held"
    (visit,) = export(later).records
    assert visit.note == "typed while it was held"
    other.evaluate("void (holding = false)")
    expect(later.locator("#state")).to_contain_text("Saved only on this phone", timeout=10_000)
    later.wait_for_function(
        "baseStore.get(keeping.place()).then((a) => a.value === keeping.written().sealed.made)"
    )


def test_what_a_held_store_has_alone_comes_back_when_it_is_free(context, write_page, tmp_path):
    page = open_page(context, write_page())
    fill(page, tmp_path)
    page.evaluate("new Promise((done) => { localStorage.clear(); done(); })")
    page.close()
    other = open_other(context, write_page)
    other.evaluate("localStorage.clear()")
    other.evaluate("hold()")
    page = open_page(context, write_page())
    expect(page.locator("#state.lost")).to_contain_text(
        "Another program has locked", timeout=10_000
    )
    page.get_by_role("button", name="K1").click()
    page.get_by_label("Note").last.fill("a draft begun meanwhile")
    page.get_by_role("button", name="Back to list").first.click()
    other.evaluate("void (holding = false)")
    expect(page.locator("main")).to_contain_text("had locked are back", timeout=10_000)
    expect(page.locator("main")).to_contain_text("There is a second draft for K1")
    page.get_by_role("button", name="K1").click()
    page.get_by_label("nobody home").check()
    page.get_by_role("button", name="Back to list").first.click()
    page.get_by_label("Your name").fill("Kim Unvented")
    first = export(page)
    page.get_by_role("button", name="K1").click()
    page.get_by_role("button", name="New visit").click()
    assert page.get_by_label("Note").last.input_value() == SECRET
    notes = {record.note for record in export(page).records}
    assert notes == {"a draft begun meanwhile", SECRET}
    assert [r.note for r in first.records] == ["a draft begun meanwhile"]


def test_a_page_shown_inside_another_takes_nothing_over(context, write_page, tmp_path):
    page = open_page(context, write_page())
    fill(page)
    frame = tmp_path / "frame.html"
    frame.write_text(f'<iframe src="{write_page().as_uri()}"></iframe>', "utf-8")
    other = open_page(context, frame)
    expect(other.frame_locator("iframe").locator("#state")).to_contain_text("in its own window")
    page.evaluate("keeping.checkOpening()")  # as it looks every two seconds
    assert not page.evaluate("keeping.isElsewhere()")


def test_a_browser_that_cannot_seal_keeps_nothing_in_plain_and_says_so(context, write_page):
    context.add_init_script("Object.defineProperty(crypto, 'subtle', { value: undefined })")
    page = open_page(context, write_page())
    expect(page.locator("#state.lost")).to_contain_text("cannot save drafts safely")
    fill(page)
    kept = open_other(context, write_page).evaluate("all()")
    assert SECRET not in kept
    assert "Kim" not in kept
    assert export(page).records[0].note == SECRET


PLAIN = """async ([state, photos]) => {
  const base = await new Promise((done) => {
    const asked = indexedDB.open("rillmark-records", 1);
    asked.onupgradeneeded = () => asked.result.createObjectStore("kept");
    asked.onsuccess = () => done(asked.result);
  });
  const change = base.transaction("kept", "readwrite"), store = change.objectStore("kept");
  const put = (name, value, text) => { store.put(value, name); localStorage.setItem(name, text); };
  put("record:Kept County", state, JSON.stringify(state));
  for (const [id, jpeg] of photos) put(`record:Kept County:photo:${id}`, jpeg, jpeg);
  localStorage.setItem("record:Kept County:open", "an old page");
  await new Promise((done) => { change.oncomplete = done; });
  base.close();
}"""


def plain_state(note, jpeg_id="p1"):
    """As version 0.1 kept it."""
    draft = {
        "record_id": "r" * 32, "at": "2026-04-02T10:00:00.000Z", "by": "Kim Unvented",
        "day": "2026-04-02", "outcome": "completed", "answers": {"lid": {"answer": "good"}},
        "running_out": {}, "measured": [], "samples": [], "places": {}, "taped": [],
        "photos": [{"id": jpeg_id, "name": "photo-1.jpg", "note": ""}], "note": note,
        "by_lot": False,
    }  # fmt: skip
    return {"saved": 7, "by": "Kim Unvented", "visits": {"K1": draft}, "done": []}


def test_plain_drafts_of_the_version_before_are_taken_over_once(context, write_page, tmp_path):
    jpeg = base64.b64encode(picture(tmp_path / "a.jpg").read_bytes()).decode()
    other = open_other(context, write_page)
    other.evaluate(PLAIN, [plain_state(SECRET), [["p1", jpeg]]])
    assert SECRET in other.evaluate("all()")
    page = open_page(context, write_page())
    expect(page.locator("main")).to_contain_text(
        "Drafts from an earlier version were on this device"
    )
    kept = other.evaluate("all()")
    assert SECRET not in kept
    assert jpeg[200:260] not in kept
    page.get_by_role("button", name="K1").click()
    assert page.get_by_label("Note").last.input_value() == SECRET
    (visit,) = export(page).records
    assert visit.photos[0].jpeg == jpeg  # to the byte
    assert visit.record_id == "r" * 32
    # what is put there in plain afterwards may be anybody's: it is told of, and not believed
    other.evaluate(PLAIN, [plain_state("forged"), []])
    page.reload()
    expect(page.locator("main")).to_contain_text("from an earlier version or another program")
    assert "forged" in other.evaluate("all()")  # nor deleted
    page.get_by_role("button", name="K1").click()
    expect(page.locator("main")).to_contain_text("was exported. It cannot be changed")


def test_a_takeover_cut_short_ends_at_the_next_opening(context, write_page, tmp_path):
    jpeg = base64.b64encode(picture(tmp_path / "a.jpg").read_bytes()).decode()
    other = open_other(context, write_page)
    other.evaluate(PLAIN, [plain_state(SECRET), [["p1", jpeg]]])
    context.add_init_script(  # as cut just before the first plain copy goes
        "if (!sessionStorage.cut) Storage.prototype.removeItem = IDBObjectStore.prototype.delete ="
        " () => { throw new Error('cut'); };"
    )
    page = context.new_page()
    page.goto(write_page().as_uri())
    until_kept(page)
    assert SECRET in other.evaluate("all()")
    page.evaluate("sessionStorage.cut = 'no more'")
    page.reload()
    page.get_by_role("button", name="K1").click()
    assert page.get_by_label("Note").last.input_value() == SECRET
    assert page.locator("img.photo").count() == 1
    assert SECRET not in other.evaluate("all()")


def test_what_cannot_be_read_is_kept_and_said(context, write_page):
    page = open_page(context, write_page())
    fill(page)
    place = page.evaluate("keeping.place()")
    page.close()
    other = open_other(context, write_page)
    other.evaluate("empty()")
    other.evaluate(
        "(place) => localStorage.setItem(place, 'QUFBQUFBQUFBQUFBQUFBQUFBQUFBQUFB')", place
    )
    # a page opened now is of another process: what this one wrote comes to it a little later
    open_other(context, write_page).wait_for_function(
        "(place) => (localStorage.getItem(place) || '').startsWith('QUFB')", arg=place
    )
    page = open_page(context, write_page())
    expect(page.locator("main")).to_contain_text("are damaged and cannot be read")
    until_kept(page)
    assert "QUFBQUFBQUFBQUFBQUFBQUFBQUFBQUFB" in other.evaluate("all()")


def test_one_copy_gone_while_the_page_was_closed_is_said(context, write_page, tmp_path):
    page = open_page(context, write_page())
    fill(page, tmp_path)
    page.close()
    open_other(context, write_page).evaluate("empty()")
    page = open_page(context, write_page())
    expect(page.locator("main")).to_contain_text("One of the two copies")
    keeps_all(page)


def segments(jpeg):
    """Markers up to the picture's scan, and whether anything follows its end."""
    assert jpeg[:2] == b"\xff\xd8"
    at, found = 2, []
    while jpeg[at + 1] != 0xDA:
        assert jpeg[at] == 0xFF
        found.append((jpeg[at + 1], jpeg[at + 4 : at + 10]))
        at += 2 + int.from_bytes(jpeg[at + 2 : at + 4], "big")
    return found, jpeg[jpeg.rindex(b"\xff\xd9") + 2 :]


def shown_picture(path, size, *, progressive=False):
    """A JPEG with everything a camera may tell: EXIF with a place, XMP, IPTC, remarks, a tail."""
    from PIL import Image

    exif = Image.Exif()
    exif[0x010F] = "SECRETMAKER"
    exif.get_ifd(0x8825).update({1: "N", 2: (39.0, 42.0, 1.5), 3: "W", 4: (85.0, 48.0, 2.5)})
    picture = Image.effect_noise(size, 60).convert("RGB")
    picture.save(path, exif=exif, quality=60, comment=b"SECRETREMARK", progressive=progressive)
    jpeg = path.read_bytes()

    def segment(marker, body):
        return bytes([0xFF, marker]) + (len(body) + 2).to_bytes(2, "big") + body

    more = segment(0xE1, b"http://ns.adobe.com/xap/1.0/\0<x:xmpmeta>SECRETXMP</x:xmpmeta>")
    more += segment(0xED, b"Photoshop 3.0\x008BIM\x04\x04SECRETIPTC")
    more += segment(0xE2, b"FPXR\0SECRETMORE") + segment(0xEC, b"SECRETDUCKY")
    path.write_bytes(jpeg[:2] + more + jpeg[2:] + b"SECRETTAIL")
    return path


@pytest.mark.parametrize("size", [(300, 200), (2000, 1500)])
def test_a_photo_keeps_no_segment_of_what_the_camera_tells(context, write_page, tmp_path, size):
    path = shown_picture(tmp_path / "told.jpg", size)
    assert path.read_bytes().count(b"SECRET") == 7
    page = open_page(context, write_page())
    fill(page)
    page.get_by_label("Add photos").set_input_files(path)
    page.wait_for_selector("img.photo")
    jpeg = base64.b64decode(export(page).records[0].photos[0].jpeg)
    assert b"SECRET" not in jpeg
    markers, tail = segments(jpeg)
    assert tail == b""
    shown = [(marker, body) for marker, body in markers if 0xE0 <= marker <= 0xEF or marker == 0xFE]
    assert [(marker, body[:4]) for marker, body in shown] == [(0xE0, b"JFIF")]


@pytest.mark.parametrize("progressive", [False, True])
def test_stripping_takes_every_segment_and_no_byte_of_the_picture(
    context, write_page, tmp_path, progressive
):
    """Whatever a browser writes into the pictures it draws; the picture is the same to the dot."""
    import io

    from PIL import Image, ImageChops

    path = shown_picture(tmp_path / "told.jpg", (90, 60), progressive=progressive)
    whole = path.read_bytes() * 2  # a second picture behind the first, as cameras add previews
    page = open_page(context, write_page())
    take = (
        "(text) => { const made = photos.bare(sealing.bytesOf(text));"
        " return made && sealing.base64Of(made); }"
    )
    bare = base64.b64decode(page.evaluate(take, base64.b64encode(whole).decode()))
    assert b"SECRET" in whole
    assert b"SECRET" not in bare
    assert len(bare) < len(whole) / 2
    first, second = Image.open(io.BytesIO(whole)), Image.open(io.BytesIO(bare))
    assert ImageChops.difference(first.convert("RGB"), second.convert("RGB")).getbbox() is None
    assert page.evaluate(take, base64.b64encode(b"no picture").decode()) is None
