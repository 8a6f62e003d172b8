"""The record page at phone width: what is typed is kept, exported, and read at the office."""

from __future__ import annotations

import contextlib
import json
import os
import random
import signal
import time
from dataclasses import replace
from pathlib import Path

import pytest
from playwright.sync_api import expect

from geo.publish.record.page import record_page
from geo.visits import choose_units, visit_plans
from layers.records import Visit, parse_day_file
from layers.settings.visit_list import load_visit_list
from support.record_page import until_kept

pytestmark = pytest.mark.browser
PHONE = {"width": 390, "height": 844}
KEY = bytes(range(32))


@pytest.fixture(scope="module")
def plans(larkmoor_result):
    return visit_plans(
        larkmoor_result, choose_units(larkmoor_result, [], first=3), load_visit_list(None)
    )


@pytest.fixture(scope="module")
def page_file(larkmoor_result, plans, tmp_path_factory):
    path = tmp_path_factory.mktemp("record") / "record_staff.html"
    path.write_text(record_page(plans, larkmoor_result, load_visit_list(None), key=KEY), "utf-8")
    return path


@pytest.fixture
def page(browser, page_file):
    context = browser.new_context(viewport=PHONE, accept_downloads=True)
    page = context.new_page()
    page.faults = []
    page.on("pageerror", lambda error: page.faults.append(str(error)))
    page.on("console", lambda m: page.faults.append(m.text) if m.type == "error" else None)
    page.goto(page_file.as_uri())
    yield page
    assert page.faults == []
    context.close()


def fill(page, unit_id):
    page.get_by_label("Your name").fill("Kim Ünvented")
    page.get_by_role("button", name=unit_id).click()
    page.get_by_label("completed", exact=True).check()
    lid = page.get_by_role("group", name="Access and covers")
    lid.get_by_label("Not good").check()
    lid.get_by_label("Dangerous condition").check()
    lid.get_by_label("Note").fill('<b>"cracked"</b>')
    risers = page.get_by_role("group", name="Risers and their height")
    risers.get_by_label("Good", exact=True).check()
    risers.get_by_label("Measured, in").fill("4.5")
    page.get_by_label("Note").last.fill("two dogs")


def export(page):
    page.get_by_role("button", name="Back to list").first.click()
    with page.expect_download() as download:
        page.get_by_role("button", name="Export today's visits").click()
    return Path(download.value.path()).read_bytes()


def test_a_visit_is_taken_down_exported_and_read_at_the_office(page, plans):
    unit_id = str(plans[0].unit["unit_id"])
    fill(page, unit_id)
    page.get_by_label("longitude (discharge point)").fill(
        f"{plans[0].lid.lat:.6f}, {plans[0].lid.lon:.6f}"
    )
    page.get_by_role("button", name="Add measurement").click()
    page.get_by_label("What was measured").fill("DO")
    page.get_by_label("Value").fill("2,5")
    page.get_by_role("button", name="Add distance").click()
    page.get_by_label("Feet").fill("100")
    content = export(page)
    day = parse_day_file(content, where="exported")
    (visit,) = day.records
    assert isinstance(visit, Visit)
    assert (visit.unit_id, visit.outcome, visit.judged) == (unit_id, "completed", "danger")
    assert visit.by == day.by == "Kim Ünvented"
    assert visit.findings[0].note == '<b>"cracked"</b>'
    assert {(m.what, m.value, m.unit) for m in visit.measured} == {
        ("risers", 4.5, "in"), ("DO", 2.5, "mg/L"),
    }  # fmt: skip
    assert visit.positions[0].lat == pytest.approx(plans[0].lid.lat, abs=1e-6)
    assert visit.taped[0].distance_m == pytest.approx(30.48)
    assert visit.note == "two dogs"
    # export again gives the same file
    with page.expect_download() as download:
        page.get_by_role("button", name="Export today's visits").click()
    assert Path(download.value.path()).read_bytes() == content


def test_an_exported_visit_is_corrected_by_another_record(page, plans):
    unit_id = str(plans[1].unit["unit_id"])
    fill(page, unit_id)
    first = parse_day_file(export(page), where="first").records[0]
    page.get_by_role("button", name=unit_id).click()
    page.get_by_role("button", name="Correct this visit").click()
    page.get_by_label("Note").last.fill("one dog")
    records = parse_day_file(export(page), where="second").records
    kinds = sorted(record.kind for record in records)
    assert kinds == ["visit", "visit", "withdrawal"]
    (word,) = [r for r in records if r.kind == "withdrawal"]
    assert word.of == first.record_id
    assert first in records
    (other,) = [r for r in records if r.kind == "visit" and r.record_id != first.record_id]
    assert other.note == "one dog"


def test_a_photo_taken_out_of_a_correction_stays_with_what_was_exported(page, plans, tmp_path):
    unit_id = str(plans[0].unit["unit_id"])
    fill(page, unit_id)
    page.get_by_label("Add photos").set_input_files(noise(tmp_path / "a.jpg"))
    page.wait_for_selector("img.photo")
    first = parse_day_file(export(page), where="first").records[0]
    page.get_by_role("button", name=unit_id).click()
    page.get_by_role("button", name="Correct this visit").click()
    page.get_by_role("group", name="Photos").get_by_role("button", name="Delete").click()
    records = parse_day_file(export(page), where="second").records
    assert first in records
    assert len(first.photos) == 1
    (other,) = [r for r in records if r.kind == "visit" and r.record_id != first.record_id]
    assert other.photos == ()


def test_what_cannot_be_used_is_said_and_not_exported(page, plans):
    page.get_by_label("Your name").fill("Kim")
    page.get_by_role("button", name=str(plans[0].unit["unit_id"])).click()
    page.get_by_role("group", name="Access and covers").get_by_label("Not good").check()
    page.get_by_role("button", name="Back to list").first.click()
    page.get_by_role("button", name="Export today's visits").click()
    text = page.locator("main").inner_text()
    assert "choose an outcome" in text
    assert "choose a severity" in text
    assert "Nothing is ready" in text


def test_a_place_that_is_none_holds_the_visit_back_until_it_is_mended(page, plans):
    unit_id = str(plans[0].unit["unit_id"])
    fill(page, unit_id)
    page.get_by_label("longitude (discharge point)").fill("by the old oak")
    page.get_by_role("button", name="Back to list").first.click()
    page.get_by_role("button", name="Export today's visits").click()
    text = page.locator("main").inner_text()
    assert f'{unit_id} was not exported. Fix: "by the old oak" is not a position' in text
    page.reload()
    page.get_by_role("button", name=unit_id).click()
    typed = page.get_by_label("longitude (discharge point)")
    assert typed.input_value() == "by the old oak"
    lat, lon = plans[0].lid.lat, plans[0].lid.lon
    minutes = [f"{int(abs(v))}° {abs(v) % 1 * 60:.5f}′" for v in (lat, lon)]  # as on the sheet
    typed.fill(f"{minutes[0]} N {minutes[1]} W")
    (visit,) = parse_day_file(export(page), where="x").records
    assert visit.positions[0].lat == pytest.approx(lat, abs=1e-6)
    assert visit.positions[0].lon == pytest.approx(lon, abs=1e-6)


def test_a_sign_left_out_is_doubted(page, plans):
    page.get_by_role("button", name=str(plans[0].unit["unit_id"])).click()
    page.get_by_label("longitude (discharge point)").fill(
        f"{plans[0].lid.lat:.6f}, {-plans[0].lid.lon:.6f}"
    )
    assert "from the lids on record" in page.locator(".warn").first.inner_text()


def test_who_takes_the_phone_next_did_not_make_the_visit(page, plans):
    """One file for each person and day, the same bytes whoever exports them again."""
    fill(page, str(plans[0].unit["unit_id"]))
    first = export(page)
    page.get_by_label("Your name").fill("Lee Unvented")
    page.get_by_role("button", name=str(plans[1].unit["unit_id"])).click()
    page.get_by_label("nobody home").check()
    other = parse_day_file(export(page), where="Lee")
    assert (other.by, [r.by for r in other.records]) == ("Lee Unvented", ["Lee Unvented"])
    day = page.get_by_role("group", name="Kim Ünvented")
    with page.expect_download() as download:
        day.get_by_role("button", name="Export again").click()
    assert Path(download.value.path()).read_bytes() == first


def test_a_second_visit_stands_beside_the_first(page, plans):
    unit_id = str(plans[0].unit["unit_id"])
    page.get_by_label("Your name").fill("Kim")
    page.get_by_role("button", name=unit_id).click()
    page.get_by_label("nobody home").check()
    first = parse_day_file(export(page), where="first").records[0]
    page.get_by_role("button", name=unit_id).click()
    page.get_by_role("button", name="New visit").click()
    page.get_by_label("completed", exact=True).check()
    records = parse_day_file(export(page), where="both").records
    assert [r.kind for r in records] == ["visit", "visit"]
    assert first in records
    assert {r.outcome for r in records} == {"nobody_home", "completed"}


def test_what_was_begun_on_another_days_list_is_still_there(page, plans, larkmoor_result, tmp_path):
    unit_id = str(plans[0].unit["unit_id"])
    fill(page, unit_id)
    until_kept(page)
    items = load_visit_list(None)
    fewer = items.model_copy(update={"items": items.items[-2:]})  # the office changed its list
    later = tmp_path / "record_staff.html"
    later.write_text(record_page(plans[1:2], larkmoor_result, fewer, key=KEY), "utf-8")
    page.goto(later.as_uri())
    expect(page.locator("main")).to_contain_text("Started on an earlier list")
    page.get_by_role("button", name=unit_id).click()
    assert page.get_by_label("Note").last.input_value() == "two dogs"
    (visit,) = parse_day_file(export(page), where="x").records
    assert (visit.unit_id, visit.judged) == (unit_id, "danger")
    assert {(m.what, m.value, m.unit) for m in visit.measured} == {("risers", 4.5, "in")}


def test_exported_days_can_be_taken_off_the_phone(page, plans):
    fill(page, str(plans[0].unit["unit_id"]))
    export(page)
    page.get_by_role("button", name="Delete from this phone").click()
    page.get_by_role("button", name="Tap again").click()
    expect(page.locator("main")).to_contain_text("deleted from this phone")
    page.reload()
    unit = page.get_by_role("button", name=str(plans[0].unit["unit_id"]))
    expect(unit).to_contain_text("(no answers yet)")


def test_what_is_not_good_says_what_to_do(page, plans):
    page.get_by_role("button", name=str(plans[0].unit["unit_id"])).click()
    lid = page.get_by_role("group", name="Access and covers")
    lid.get_by_label("Not good").check()
    assert "keep people away" in lid.inner_text()


def test_a_visit_drawn_by_lot_is_recorded_as_such(browser, larkmoor_result, plans, tmp_path):
    drawn = [replace(p, unit={**p.unit, "visit_by_lot": k == 0}) for k, p in enumerate(plans)]
    path = tmp_path / "record_staff.html"
    path.write_text(record_page(drawn, larkmoor_result, load_visit_list(None), key=KEY), "utf-8")
    page = browser.new_page(viewport=PHONE)
    page.goto(path.as_uri())
    page.get_by_label("Your name").fill("Kim")
    for plan in drawn[:2]:
        page.get_by_role("button", name=str(plan.unit["unit_id"])).click()
        page.get_by_label("nobody home").check()
        page.get_by_role("button", name="Back to list").first.click()
    with page.expect_download() as download:
        page.get_by_role("button", name="Export today's visits").click()
    day = parse_day_file(Path(download.value.path()).read_bytes(), where="x")
    assert {r.unit_id: r.by_lot for r in day.records} == {
        str(plan.unit["unit_id"]): k == 0 for k, plan in enumerate(drawn[:2])
    }
    page.close()


def test_a_place_far_from_the_parcel_is_doubted(page, plans):
    page.get_by_label("Your name").fill("Kim")
    page.get_by_role("button", name=str(plans[0].unit["unit_id"])).click()
    typed = page.get_by_label("longitude (lids)")
    typed.fill(f"{plans[0].lid.lat + 0.003:.6f}, {plans[0].lid.lon:.6f}")
    assert "outside the parcel" in page.locator(".warn").first.inner_text()
    typed.fill("somewhere")
    assert "not a position" in page.locator(".warn").first.inner_text()


def test_a_refused_location_says_so(page, plans):
    page.get_by_role("button", name=str(plans[0].unit["unit_id"])).click()
    page.get_by_role("button", name="Use this phone's location for the discharge point").click()
    page.wait_for_function("document.body.innerText.includes('Location is off')")


def test_where_nothing_can_be_kept_the_page_says_what_is_lost(browser, page_file):
    context = browser.new_context(viewport=PHONE)
    context.add_init_script(
        "Object.defineProperty(window, 'indexedDB', {get() {throw new Error('no')}});"
        "Object.defineProperty(window, 'localStorage', {get() {throw new Error('no')}});"
    )
    page = context.new_page()
    page.goto(page_file.as_uri())
    page.wait_for_selector("#state.lost")
    assert "lost" in page.locator("#state").inner_text()
    context.close()


def test_of_two_pages_open_at_once_the_later_one_keeps(page, page_file, plans):
    unit_id, other_id = (str(plan.unit["unit_id"]) for plan in plans[:2])
    fill(page, unit_id)
    until_kept(page)
    again = page.context.new_page()
    again.goto(page_file.as_uri())
    again.get_by_role("button", name=other_id).click()
    again.get_by_label("Note").last.fill("typed on the second page")
    until_kept(again)
    page.wait_for_selector("#state.lost")  # before another letter is typed here
    assert "open in another tab" in page.locator("#state").inner_text()
    assert page.evaluate("document.getElementById('main').inert")
    page.reload()  # and goes on here
    page.get_by_role("button", name=other_id).click()
    assert page.get_by_label("Note").last.input_value() == "typed on the second page"
    page.get_by_label("Note").last.fill("and on the first")
    until_kept(page)
    # that the other page wrote a moment ago may be said; that this one may not go on, not
    expect(page.locator("#state")).not_to_contain_text("open in another tab")
    assert not page.evaluate("document.getElementById('main').inert")
    page.get_by_role("button", name="Back to list").first.click()
    page.get_by_role("button", name=unit_id).click()
    assert page.get_by_label("Note").last.input_value() == "two dogs"


def noise(path, size=(800, 600)):
    from PIL import Image

    Image.effect_noise(size, 60).convert("RGB").save(path, quality=90)
    return path


def test_a_store_that_comes_back_empty_loses_no_letter_and_no_photo(page, plans, tmp_path):
    """As after a crash that damaged it: the second copy has everything."""
    unit_id = str(plans[0].unit["unit_id"])
    fill(page, unit_id)
    page.get_by_label("Add photos").set_input_files(noise(tmp_path / "a.jpg"))
    page.wait_for_selector("img.photo")
    until_kept(page)
    before = page.locator("img.photo").get_attribute("src")
    page.evaluate(
        "new Promise((done) => { const gone = indexedDB.deleteDatabase('rillmark-records');"
        " gone.onsuccess = gone.onblocked = () => done(); })"
    )
    page.reload()
    page.get_by_role("button", name=unit_id).click()
    assert page.get_by_label("Note").last.input_value() == "two dogs"
    assert page.locator("img.photo").get_attribute("src") == before
    # and it has its first copy again
    page.evaluate("localStorage.clear()")
    page.reload()
    page.get_by_role("button", name=unit_id).click()
    assert page.locator("img.photo").get_attribute("src") == before


def test_photos_never_crowd_out_what_was_typed(page, plans, tmp_path):
    """A second copy that no longer fits is said; letters go before second copies of photos."""
    unit_id = str(plans[0].unit["unit_id"])
    fill(page, unit_id)
    page.evaluate("localStorage.setItem('another program', 'x'.repeat(5 * 1024 * 1024 - 150000))")
    page.get_by_label("Add photos").set_input_files(noise(tmp_path / "a.jpg", (1024, 768)))
    page.wait_for_selector("#state.lost")
    assert "saved once" in page.locator("#state").inner_text()
    page.get_by_label("Note").last.fill("z" * 3_000)
    page.wait_for_selector("#state:not(.lost)")
    page.reload()
    page.get_by_role("button", name=unit_id).click()
    assert page.get_by_label("Note").last.input_value() == "z" * 3_000
    assert page.locator("img.photo").count() == 1
    photo = page.locator("img.photo").get_attribute("src")
    (visit,) = parse_day_file(export(page), where="x").records
    assert photo.endswith(visit.photos[0].jpeg)


def test_photos_are_made_small_and_lose_their_metadata(page, plans, tmp_path):
    import base64
    import io

    from PIL import Image

    picture = Image.effect_noise((2400, 1800), 60).convert("RGB")
    exif = Image.Exif()
    exif[0x010F] = "SECRETMAKER"
    picture.save(tmp_path / "big.jpg", exif=exif, quality=95)
    assert b"SECRETMAKER" in (tmp_path / "big.jpg").read_bytes()
    fill(page, str(plans[2].unit["unit_id"]))
    page.get_by_label("Add photos").set_input_files(tmp_path / "big.jpg")
    page.wait_for_selector("img.photo")
    visit = parse_day_file(export(page), where="x").records[0]
    jpeg = base64.b64decode(visit.photos[0].jpeg)
    assert len(jpeg) < 350_000
    assert b"SECRETMAKER" not in jpeg
    kept = Image.open(io.BytesIO(jpeg))
    assert max(kept.size) <= 1024
    assert not kept.getexif()


def test_the_page_is_accessible_and_fits_a_phone(browser, page_file, plans):
    from axe_playwright_python.sync_playwright import Axe

    page = browser.new_page(viewport=PHONE, bypass_csp=True)
    page.goto(page_file.as_uri())
    for opened in (False, True):
        if opened:
            page.get_by_role("button", name=str(plans[0].unit["unit_id"])).click()
            page.get_by_role("group", name="Access and covers").get_by_label("Not good").check()
        assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
        results = Axe().run(page)
        assert results.violations_count == 0, results.generate_report()
    small = page.evaluate(
        "[...document.querySelectorAll('button, input:not([type=radio]), .choices label')]"
        ".filter(e => e.offsetParent && e.getBoundingClientRect().height < 44).length"
    )
    assert small == 0
    page.close()


def kill(profile):
    """Kill every process of the browser with that profile."""
    for process in Path("/proc").glob("[0-9]*/cmdline"):
        with contextlib.suppress(OSError):
            if f"--user-data-dir={profile}".encode() in process.read_bytes():
                os.kill(int(process.parent.name), signal.SIGKILL)


def closed_mid_entry(with_profile, page_file, plans, profile, times, seed):
    """A browser killed while somebody types, over and over; what was lost though a second old."""
    from playwright.sync_api import Error as PlaywrightError

    chance, lost = random.Random(seed), []
    unit_id, typed = str(plans[0].unit["unit_id"]), ""
    for _ in range(times):
        context = with_profile(profile, viewport=PHONE)
        page = context.new_page()
        page.goto(page_file.as_uri())
        page.get_by_role("button", name=unit_id).click()
        note = page.get_by_label("Note").last
        if not note.input_value().startswith(typed):
            lost.append((typed, note.input_value()))
        note.press("End")
        word = f"{chance.randrange(10**6)} "
        typed = note.input_value() + word
        note.press_sequentially(word)
        time.sleep(1.0)
        note.press_sequentially("tail")  # younger than a second: may or may not be there
        time.sleep(chance.uniform(0, 0.1))
        kill(profile)
        with contextlib.suppress(PlaywrightError):  # it is gone, as it should be
            context.close()
    return lost


def test_what_stood_for_a_second_survives_a_killed_browser(
    with_profile, page_file, plans, tmp_path
):
    assert closed_mid_entry(with_profile, page_file, plans, tmp_path / "profile", 3, seed=3) == []


@pytest.mark.long
def test_what_stood_for_a_second_survives_100_killed_browsers(
    with_profile, page_file, plans, tmp_path
):
    assert closed_mid_entry(with_profile, page_file, plans, tmp_path / "profile", 100, seed=4) == []


def killed_at_export(with_profile, page_file, plans, profile, times, seed):
    """A browser killed at a random instant of an export, over and over; what it exports at last."""
    from playwright.sync_api import Error as PlaywrightError

    chance = random.Random(seed)
    exported = []
    for turn in range(times + 1):
        context = with_profile(profile, viewport=PHONE, accept_downloads=True)
        page = context.new_page()
        page.goto(page_file.as_uri())
        if turn == 0:
            fill(page, str(plans[0].unit["unit_id"]))
            exported.append(export(page))
            context.close()
        elif turn < times:
            page.get_by_role("button", name="Export today's visits").click(no_wait_after=True)
            time.sleep(chance.uniform(0, 0.06))
            kill(profile)
            with contextlib.suppress(PlaywrightError):
                context.close()
        else:
            with page.expect_download() as download:
                page.get_by_role("button", name="Export today's visits").click()
            exported.append(Path(download.value.path()).read_bytes())
            context.close()
    return exported


def test_a_browser_killed_while_it_exports_keeps_every_record(
    with_profile, page_file, plans, tmp_path
):
    first, last = killed_at_export(with_profile, page_file, plans, tmp_path / "profile", 3, seed=5)
    assert first == last


@pytest.mark.long
def test_100_browsers_killed_while_they_export_keep_every_record(
    with_profile, page_file, plans, tmp_path
):
    first, last = killed_at_export(
        with_profile, page_file, plans, tmp_path / "profile", 101, seed=6
    )
    assert first == last


def test_the_same_bytes_from_page_and_office(page, plans):
    """The page's day file is what `write_day_file` would make, but for the order of keys."""
    from layers.records import write_day_file

    fill(page, str(plans[0].unit["unit_id"]))
    content = export(page)
    own = write_day_file(parse_day_file(content, where="x"))
    assert len(content.splitlines()) == 3
    for ours, theirs in zip(own.splitlines()[:-1], content.splitlines()[:-1], strict=True):
        made, exported = json.loads(ours), json.loads(theirs)
        assert made.pop("at", "")[:23] == exported.pop("at", "")[:23]
        assert made == exported
