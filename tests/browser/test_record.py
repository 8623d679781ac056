"""
The Record view in a real browser: any span of the record, its sums and its gaps, by mouse, key and finger.

Waits are for text or elements; nothing sleeps.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any
from urllib.parse import parse_qs, urlsplit

import page_states as states
import pytest
from page_browser import Watched, free_port, running
from page_states import SCENE_S, FakeSource, Feeder
from test_now import expect, sideways

Open = Callable[..., Watched]
HOUR = 3600.0
#: Gaps of the made-up record: counted, and not counted.
GAPS = ((SCENE_S - 2400, SCENE_S - 2100, 0.031), (SCENE_S - 1500, SCENE_S - 1460, None))


def gappy(since_s: float, until_s: float, points: int = 600) -> dict[str, Any]:
    return states.span(since_s, until_s, points, gaps=GAPS)


def source_of(spans: Callable[..., dict[str, Any]] = gappy, snap: dict[str, Any] | None = None) -> FakeSource:
    source = FakeSource(snap or states.surplus())
    source.spans = spans
    return source


def drawn(page: Any, since_s: float, until_s: float) -> None:
    """Wait until this very span is in the picture."""
    page.wait_for_selector(f"#curves-picture[data-drawn='{since_s:.0f} {until_s:.0f}']")


def named(page: Any) -> dict[str, str]:
    """The parameters of the address."""
    return {name: values[0] for name, values in parse_qs(urlsplit(page.url).query).items()}


def test_the_last_hour_is_shown_first_with_its_sums(open_page: Open) -> None:
    source = source_of(states.span)
    with running(source) as address:
        seen = open_page(address, "/record")
        page = seen.page
        drawn(page, SCENE_S - HOUR, SCENE_S)
        board, since_s, until_s, points = source.asked[0]
        assert (board, since_s, until_s) == (None, SCENE_S - HOUR, SCENE_S) and 200 <= points <= 1000
        total = states.span(since_s, until_s, points)["total"]
        cells = page.locator("#sums-table tbody tr").all()
        for row, tap in zip(cells, ("solar", "load", "battery"), strict=True):
            # WORKED: the sums of the fixture's own columns, to the thousandth; a true minus.
            text = f"{total[f'{tap}_ah']:.3f}".replace("-", "−")
            expect(row.locator("td").first).to_have_text(text)
            expect(row.locator("td").last).to_have_text(text)
        expect(page.get_by_role("heading", level=1)).to_have_text(
            f"The battery gave {abs(total['battery_ah']):.3f}\u00a0Ah."
        )
        # PRINTED: the scene is at 23:30:00 UTC on 12 September; America/Denver is UTC−6 then.
        expect(page.locator(".span-utc")).to_have_text("12\u00a0Sep, 22:30 to 23:30 UTC")
        expect(page.locator(".span-local")).to_have_text("12\u00a0Sep, 16:30 to 17:30 local (UTC−6)")
        expect(page.get_by_role("button", name="1 hour")).to_have_attribute("aria-pressed", "true")
        assert page.title() == "Record · ampledger"
        assert {urlsplit(url).netloc for url in seen.asked if not url.startswith(("data:", "blob:"))} == {
            urlsplit(address).netloc
        }
        assert seen.console == []


def test_views_are_joined_by_plain_links_that_keep_the_board(open_page: Open) -> None:
    source = source_of(snap=states.two_boards_fetching())
    with running(source) as address:
        page = open_page(address, "/record?last=86400&board=a1").page
        drawn(page, SCENE_S - 24 * HOUR, SCENE_S)
        expect(page.locator("#to-record")).to_have_attribute("aria-current", "page")
        assert page.locator("#boards a").nth(1).get_attribute("href") == "/record?last=86400&board=b2%2F%C3%BC%26x"
        assert source.asked[0][0] == "a1"
        page.get_by_role("link", name="Now").click()
        page.wait_for_url("**/now?board=a1")
        expect(page.locator("#balance")).to_be_visible()
        expect(page.locator("#record")).to_be_hidden()
        page.get_by_role("link", name="Record").click()
        page.wait_for_url("**/record?board=a1")


def test_buttons_move_and_stretch_the_span_and_the_address_keeps_it(open_page: Open) -> None:
    with running(source_of()) as address:
        page = open_page(address, "/record").page
        drawn(page, SCENE_S - HOUR, SCENE_S)
        later = page.get_by_role("button", name="Later")
        expect(later).to_have_attribute("aria-disabled", "true")
        page.get_by_role("button", name="Closer").click()
        drawn(page, SCENE_S - HOUR / 2, SCENE_S)
        assert named(page) == {"last": "1800"}
        page.get_by_role("button", name="1 day").click()
        drawn(page, SCENE_S - 24 * HOUR, SCENE_S)
        assert named(page) == {"last": "86400"}
        page.get_by_role("button", name="Earlier").click()
        drawn(page, SCENE_S - 48 * HOUR, SCENE_S - 24 * HOUR)
        # WORKED: the scene is 2026-09-12T23:30:00Z.
        assert named(page) == {"since": "2026-09-10T23:30:00Z", "until": "2026-09-11T23:30:00Z"}
        page.get_by_role("button", name="1 hour").click()
        drawn(page, SCENE_S - 25 * HOUR, SCENE_S - 24 * HOUR)
        page.get_by_role("button", name="Wider").click()
        drawn(page, SCENE_S - 25.5 * HOUR, SCENE_S - 23.5 * HOUR)
        page.reload()
        drawn(page, SCENE_S - 25.5 * HOUR, SCENE_S - 23.5 * HOUR)
        page.go_back()
        drawn(page, SCENE_S - 25 * HOUR, SCENE_S - 24 * HOUR)
        page.get_by_role("button", name="90 days").click()
        drawn(page, SCENE_S - 24 * HOUR - 90 * 24 * HOUR, SCENE_S - 24 * HOUR)
        later.click()
        # What would reach into the future ends now instead.
        drawn(page, SCENE_S - 90 * 24 * HOUR, SCENE_S)
        assert named(page) == {"last": "7776000"}


# The second span lies over the hour in which Denver's clocks go forward, 2026-03-08T09:00:00Z.
@pytest.mark.parametrize("end_s", [SCENE_S, 1_772_964_000.0])
def test_dragging_across_the_picture_looks_closer_and_a_double_click_wider(open_page: Open, end_s: float) -> None:
    def always(since_s: float, until_s: float, points: int = 600) -> dict[str, Any]:
        return states.span(since_s, until_s, points, begin_s=0.0)

    with running(source_of(always)) as address:
        page = open_page(address, f"/record?since={end_s - 7200:.0f}&until={end_s:.0f}").page
        drawn(page, end_s - 7200, end_s)
        box = page.locator("#curves-picture .nsewdrag").first.bounding_box()
        assert box is not None
        at = [(box["x"] + box["width"] * share, box["y"] + 40) for share in (0.25, 0.75)]
        page.mouse.move(*at[0])
        page.mouse.down()
        page.mouse.move(*at[1], steps=5)
        page.mouse.up()
        page.wait_for_selector(f"#record:not([data-span='{end_s - 7200:.0f} {end_s:.0f}'])")
        since_s, until_s = map(float, page.locator("#record").get_attribute("data-span").split())
        # WORKED: a quarter and three quarters of two hours; one pixel is about 6 s.
        assert (since_s, until_s) == pytest.approx((end_s - 5400, end_s - 1800), abs=20)
        drawn(page, since_s, until_s)
        page.mouse.dblclick(*at[0])
        page.wait_for_selector(f"#record:not([data-span='{since_s:.0f} {until_s:.0f}'])")
        wide = [float(t) for t in page.locator("#record").get_attribute("data-span").split()]
        assert wide[1] - wide[0] == pytest.approx(2 * (until_s - since_s), abs=2)
        # A third click, let go late, is no second double click.
        drawn(page, wide[0], wide[1])
        page.mouse.dblclick(*at[0])
        page.mouse.click(*at[0], delay=350)
        page.wait_for_selector(f"#record:not([data-span='{wide[0]:.0f} {wide[1]:.0f}'])")
        page.wait_for_selector("#record:not([aria-busy])")
        wider = [float(t) for t in page.locator("#record").get_attribute("data-span").split()]
        assert wider[1] - wider[0] == pytest.approx(4 * (until_s - since_s), abs=2)


def test_a_moment_is_read_with_arrow_keys_and_zoomed_about(open_page: Open) -> None:
    with running(source_of(states.span)) as address:
        page = open_page(address, f"/record?since={SCENE_S - HOUR:.0f}&until={SCENE_S:.0f}").page
        drawn(page, SCENE_S - HOUR, SCENE_S)
        slider = page.get_by_role("slider", name="Read a moment")
        slider.focus()
        page.keyboard.press("Home")
        cells = page.locator(".moment-cells")
        # WORKED: the span begins at 22:30:00; one step of a thousand is 3.6 s.
        expect(cells).to_contain_text("12\u00a0Sep, 22:30:00")
        page.keyboard.press("ArrowRight")
        expect(cells).to_contain_text("12\u00a0Sep, 22:30:03")
        assert "sun" in (slider.get_attribute("aria-valuetext") or "")
        page.keyboard.press("+")
        # WORKED: half of the hour, as near to that moment as the hour allows.
        drawn(page, SCENE_S - HOUR, SCENE_S - HOUR / 2)
        page.keyboard.press("-")
        drawn(page, SCENE_S - 1.25 * HOUR, SCENE_S - 0.25 * HOUR)


def test_a_gap_is_never_drawn_through_and_says_what_was_counted_in_it(open_page: Open) -> None:
    with running(source_of()) as address:
        page = open_page(address, "/record").page
        picture = page.locator("#curves-picture[data-gaps='2']")
        expect(picture).to_contain_text("battery +0.031 Ah")
        assert picture.locator("pattern path").count() >= 1
        holes = page.evaluate(
            """async () => {
              const { steps, ranges } = await import("/assets/record/curves.js");
              const data = { t0: [0, 10, 30], t1: [10, 20, 40], solar_a: [1, 2, 3] };
              const charge = ranges([0, 60, 120].map((t) => [t, 0.5, 0.4, 0.6]), [{ t0: 70, t1: 90 }]);
              return [steps(data, ["solar_a"]), charge.low];
            }"""
        )
        # WORKED: columns 0–10, 10–20 and 30–40 s; nothing was measured from 20 to 30 s.
        assert holes[0] == {
            "t": [0, 10_000, 10_000, 20_000, 20_000, 30_000, 40_000],
            "solar_a": [1, 1, 2, 2, None, 3, 3],
        }
        assert holes[1] == [40, 40, None, 40]
        # WORKED: the middle of the counted gap is 2250 s before the end, that is 1350 s into the hour: 375 of 1000.
        page.get_by_role("slider").fill("375")
        cells = page.locator(".moment-cells div")
        expect(cells.nth(3)).to_have_text("Battery" + "–" + "+0.031\u00a0Ah in the gap")
        expect(cells.nth(4)).to_contain_text("gap of 5\u00a0min")
        rows = page.locator("#holes-list tbody tr")
        expect(rows.first).to_contain_text("+0.031")
        expect(rows.last.locator("td").last).to_have_text("?")
        # WORKED: the second gap is 40 s long, and its charge is not known.
        expect(page.locator("#sums-table")).to_contain_text("into the battery for 40\u00a0s")
        expect(page.get_by_role("heading", level=1)).to_contain_text("As far as is known, the battery gave")


def test_a_tap_without_a_chip_has_dashes_and_no_zero(open_page: Open) -> None:
    def no_solar(since_s: float, until_s: float, points: int = 600) -> dict[str, Any]:
        data = states.span(since_s, until_s, points)
        for name in [name for name in data if name.startswith("solar_")]:
            data[name] = [None] * len(data["t0"])
        data["total"] |= {"solar_ah": None, "solar_gap_ah": 0.0, "solar_unknown_s": until_s - since_s}
        return data

    with running(source_of(no_solar)) as address:
        page = open_page(address, "/record").page
        drawn(page, SCENE_S - HOUR, SCENE_S)
        row = page.locator("#sums-table tbody tr").first
        expect(row.locator("td").first).to_have_text("–")
        expect(row.locator("td").last).to_have_text("–")
        expect(page.locator("#record-detail")).not_to_contain_text("sun")


def test_a_span_without_records_says_so_and_leads_to_the_newest(open_page: Open) -> None:
    with running(source_of(states.span)) as address:
        seen = open_page(address, "/record?since=2020-01-01T00:00:00Z&until=2020-01-02T00:00:00Z")
        page = seen.page
        expect(page.get_by_role("heading", level=1)).to_have_text("No record of this span.")
        expect(page.locator("#record-detail")).to_contain_text("12\u00a0Sep, 23:29 UTC, lies later")
        expect(page.locator("#curves")).to_be_hidden()
        page.get_by_role("button", name="Show the newest records").click()
        expect(page.get_by_role("heading", level=1)).to_contain_text("The battery gave")
        # WORKED: the newest reading is 0.2 s before the scene; half an hour to each side of it.
        page.wait_for_selector("#curves-picture[data-drawn]")
        since_s, until_s = map(float, page.locator("#record").get_attribute("data-span").split())
        assert (since_s, until_s) == pytest.approx((SCENE_S - 1800, SCENE_S + 1800), abs=2)
        assert seen.console == []


def test_text_from_boards_and_notices_stays_text(open_page: Open) -> None:
    def nasty(since_s: float, until_s: float, points: int = 600) -> dict[str, Any]:
        data = states.span(since_s, until_s, points)
        data["events"] = [
            [SCENE_S - 1800, "raised", "x", {"title": states.NASTY}],
            [SCENE_S - 900, "cleared", "x", {"title": "Over now"}],
            [SCENE_S - 800, "changed", "x", {"title": "Only a figure moved"}],
            [SCENE_S - 700, "happened", "no-title", {"title": 7}],
            [None, "happened", "no-time", {}],
        ]
        return data

    with running(source_of(nasty, states.two_boards_fetching())) as address:
        seen = open_page(address, "/record")
        items = seen.page.locator("#seen-list li")
        expect(items).to_have_text(
            [
                "12\u00a0Sep, 23:00 UTC" + states.NASTY,
                "12\u00a0Sep, 23:15 UTC" + "Over now (over)",
                "12\u00a0Sep, 23:18 UTC" + "no-title",
            ]
        )
        assert seen.page.locator("main img, #boards img").count() == 0
        assert seen.page.title() == "Record · ampledger" and seen.console == []


def test_a_span_that_the_program_refuses_is_refused_in_its_words(open_page: Open) -> None:
    from ampledger.errors import ConfigError

    def refuse(since_s: float, until_s: float, points: int = 600) -> dict[str, Any]:
        raise ConfigError("There are no records of <b>that</b> board.")

    with running(source_of(refuse)) as address:
        page = open_page(address, "/record?board=b9").page
        expect(page.locator("#record-trouble")).to_have_text("There are no records of <b>that</b> board.")
        expect(page.get_by_role("heading", level=1)).to_have_text("Nothing to show yet.")


def test_an_address_that_names_no_span_shows_the_last_hour_and_says_so(open_page: Open) -> None:
    with running(source_of()) as address:
        page = open_page(address, "/record?since=yesterday&until=2026-09-12").page
        drawn(page, SCENE_S - HOUR, SCENE_S)
        expect(page.locator("#record-trouble")).to_contain_text("names no span that can be shown")
        found = page.evaluate(
            """async () => {
              const { spanOf } = await import("/assets/record/main.js");
              return ["", "?last=10", "?last=9", "?last=1e400", "?since=0&until=10", "?since=0&until=9.9",
                "?since=2026-09-12T00:00:00Z&until=2026-09-13T00:00:00Z", "?since=5&until=1e99"].map(spanOf);
            }"""
        )
        odd = {"last": 3600, "odd": True}
        # WORKED: 2026-09-12T00:00:00Z is 84 600 s before the scene at 23:30:00.
        day = {"since": SCENE_S - 84_600, "until": SCENE_S + 1_800}
        assert found == [{"last": 3600, "odd": False}, {"last": 10}, odd, odd, {"since": 0, "until": 10}, odd, day, odd]


def test_bands_are_reached_by_key_and_stand_in_a_table(open_page: Open) -> None:
    def some(since_s: float, until_s: float, points: int = 600) -> dict[str, Any]:
        data = states.span(since_s, until_s, points)
        notice = {"title": "Draw is higher than the input", "severity": "caution"}
        own = {"title": "No fresh readings", "severity": "warning"}
        note = {"title": "The board restarted", "severity": "info"}
        data["events"] = [  # one that began before the span, one of the program's own, one that still stands
            [since_s - 900.0, "raised", "a", notice], [since_s + 600.0, "cleared", "a", notice],
            [since_s + 900.0, "arose", "b", own], [since_s + 1200.0, "over", "b", own],
            [since_s + 3000.0, "raised", "a", notice],
            *([since_s + 30.0 * k, "happened", "c", note] for k in range(110)),
        ]  # fmt: skip
        return data

    with running(source_of(some)) as address:
        page = open_page(address, f"/record?since={SCENE_S - HOUR:.0f}&until={SCENE_S:.0f}").page
        page.wait_for_selector("#bands-picture[data-bands]")
        cautions, acts, notes = (page.locator(f".band-{row}") for row in ("caution", "act", "info"))
        # WORKED: 110 notes half a minute apart, of which each is 9 of some 1,080 pixels, so none is drawn with another.
        assert (cautions.count(), acts.count(), notes.count()) == (2, 1, 110)
        expect(acts).to_have_attribute("aria-label", re.compile("Warning: No fresh readings, .* to 22:50:00 UTC"))
        assert page.locator(".bands-svg [tabindex='0']").count() == 1
        words = page.locator(".bands-words")
        page.locator(".bands-svg [tabindex='0']").focus()
        expect(words).to_contain_text("Outing 12\u00a0Sep")
        page.keyboard.press("ArrowDown")
        expect(words).to_contain_text("Warning: No fresh readings")
        page.keyboard.press("ArrowDown")
        page.keyboard.press("Home")
        expect(words).to_contain_text("Draw is higher than the input, 12\u00a0Sep 22:15:00 to 22:40:00")
        page.keyboard.press("ArrowDown")
        page.keyboard.press("End")
        # WORKED: the last of 110 is 109 x 30 s = 54 min 30 s into the hour.
        expect(words).to_have_text("Note: The board restarted, 12\u00a0Sep 23:24:30 UTC")
        assert page.locator(".bands-svg [tabindex='0']").count() == 1
        table = page.locator(".bands-table tbody tr")
        assert table.count() == 0
        page.get_by_text("The same as a table").click()
        # WORKED: 113 notices, one outing that touches the hour, two marks
        expect(table).to_have_count(116)
        row = page.locator(".bands-table tr", has_text="No fresh readings")
        expect(row.locator("td").nth(1)).to_have_text("12\u00a0Sep, 22:45:00 (16:45:00)")
        expect(row.locator("td").nth(2)).to_have_text("12\u00a0Sep, 22:50:00")
        row.get_by_role("button").click()
        # WORKED: 300 s about 22:47:30, with an eighth of it at each side: 2550 +- 187.5 s before the scene; a browser
        # rounds halves up
        drawn(page, SCENE_S - 2737, SCENE_S - 2362)
        page.go_back()
        drawn(page, SCENE_S - HOUR, SCENE_S)
        page.locator(".band-mark").last.focus()
        page.keyboard.press("Enter")
        # WORKED: the note is 300 s before the scene; a moment is looked at with ten minutes around it.
        drawn(page, SCENE_S - 600, SCENE_S)


def test_the_ledger_says_what_the_answer_has(open_page: Open) -> None:
    def some(since_s: float, until_s: float, points: int = 600) -> dict[str, Any]:
        data = states.span(since_s, until_s, points)
        # WORKED: 0.5 + 0.25 came in, 1 + 0.02 went out: 0.27 are missing on the left
        data["periods"] = [{"t0": since_s, "t1": until_s, "sun": 0.5, "out": 0.25, "load": 1.0, "into": 0.0,
                            "sun_wh": 6.5, "out_wh": 3.25, "load_wh": 13.0, "into_wh": 0.0,
                            "own": 0.02, "own_wh": 0.26, "rest": -0.27, "rest_wh": -3.51, "rest_off": 0.04,
                            "rest_off_wh": 0.52, "untold_s": 0.0, "at_panel": False,
                            "known_s": 3000.0, "unknown_s": 600.0}]  # fmt: skip
        return data

    with running(source_of(some)) as address:
        page = open_page(address, "/record").page
        page.wait_for_selector("#record[data-ready]")
        left = page.locator(".days-svg .days-lack")
        expect(left).to_have_count(1)
        stacks = (("sun", "out", "lack"), ("load", "own"))
        high = [
            sum(float(page.locator(f".days-svg .days-{n}").get_attribute("height") or 0) for n in part)
            for part in stacks
        ]
        assert high[0] == pytest.approx(high[1], abs=0.5)
        cells = page.locator("#days-panel tbody td")
        expect(cells.nth(4)).to_have_text("0.02")
        expect(cells.nth(5)).to_have_text("−0.27 ± 0.04")
        page.get_by_role("button", name="Wh", exact=True).click()
        expect(cells.nth(5)).to_have_text("−3.5 ± 0.5")
        assert "unit=Wh" in page.url
        said = page.evaluate(
            """async () => {
              const { aboutOwn } = await import("/assets/record/days.js");
              return [{ own: null, untold_s: 60, at_panel: true }, { own: 1, untold_s: 0 }].map(
                (one) => aboutOwn([{ known_s: 60, ...one }]));
            }"""
        )
        assert "No standing draw of the box is told" in said[0] and "panel’s side" in said[0]
        assert said[1].startswith("Own draw: what the box takes") and "No standing" not in said[1]


def test_hands_zoom_and_move_the_picture_with_one_question_each(open_page: Open) -> None:
    source = source_of(states.span)
    with running(source) as address:
        page = open_page(address, f"/record?since={SCENE_S - 2 * HOUR:.0f}&until={SCENE_S - HOUR:.0f}").page
        drawn(page, SCENE_S - 2 * HOUR, SCENE_S - HOUR)
        page.evaluate(
            """() => {
              const node = document.getElementById("curves-picture");
              new MutationObserver(() => {
                if (node.hasAttribute("data-going")) window.moved = node.querySelector(".scatterlayer").style.transform;
              }).observe(node, { attributes: true, attributeFilter: ["data-going"] });
              const axis = () => {
                const box = node.getBoundingClientRect();
                return [box.left + 46, box.width - 58, box.top + 90];
              };
              // Where in the picture, from 0 to 1; several at once, so that they are one gesture on any machine.
              window.turn = (share, turns, more) => {
                const [left, width, y] = axis();
                return turns.map((deltaY) => node.dispatchEvent(new WheelEvent("wheel",
                  { deltaY, clientX: left + share * width, clientY: y, bubbles: true, cancelable: true, ...more })));
              };
              window.finger = (kind, id, share) => {
                const [left, width, y] = axis();
                node.dispatchEvent(new PointerEvent(kind, { pointerId: id, pointerType: "touch", isPrimary: id === 7,
                  clientX: left + share * width, clientY: y, bubbles: true, cancelable: true }));
              };
            }"""
        )

        def seen(part: str) -> tuple[float, float]:
            """Wait until a picture that is another than `part` is drawn; its span."""
            page.wait_for_selector(f"#curves-picture[data-drawn]:not([data-drawn='{part}']):not([data-going])")
            begin_s, end_s = map(float, str(page.locator("#curves-picture").get_attribute("data-drawn")).split())
            return begin_s, end_s

        # A bare wheel is the page's.
        assert page.evaluate("turn(0.25, [100, 100], {})") == [True, True]
        before, steps = len(source.asked), page.evaluate("history.length")
        now = str(page.locator("#curves-picture").get_attribute("data-drawn"))
        assert page.evaluate("turn(0.25, [-100, -100, -100], { ctrlKey: true })") == [False] * 3
        begin_s, end_s = seen(now)
        # WORKED: 3600 s x exp(-300 / 500) = 1975.7 s, a quarter of it before 21:45:00, which stays where it was.
        about_s = SCENE_S - 2 * HOUR + 900
        assert (about_s - begin_s, end_s - about_s) == (pytest.approx(493.9, abs=3), pytest.approx(1481.8, abs=3))
        # WORKED: the old drawing was stretched by exp(300 / 500) at once.
        assert "scale(1.822" in page.evaluate("window.moved")
        assert len(source.asked) == before + 1 and page.evaluate("history.length") == steps + 1
        page.go_back()
        drawn(page, SCENE_S - 2 * HOUR, SCENE_S - HOUR)
        # With Shift the wheel moves, and so does a drag; never beyond now.
        assert page.evaluate("turn(0.5, [-1e5], { shiftKey: true })") == [False]
        begin_s, end_s = seen(now)
        assert end_s - begin_s == HOUR and end_s < SCENE_S - 2 * HOUR
        page.go_back()
        drawn(page, SCENE_S - 2 * HOUR, SCENE_S - HOUR)
        box = page.locator("#curves-picture").bounding_box()
        assert box is not None
        y, wide = box["y"] + 90, box["width"] - 58
        page.keyboard.down("Shift")
        page.mouse.move(box["x"] + 46 + 0.75 * wide, y)
        page.mouse.down()
        page.mouse.move(box["x"] + 46 + 0.5 * wide, y, steps=4)
        page.mouse.up()
        page.keyboard.up("Shift")
        begin_s, end_s = seen(now)
        assert (begin_s, end_s) == (pytest.approx(SCENE_S - 1.75 * HOUR, abs=5), pytest.approx(begin_s + HOUR, abs=1))
        page.go_back()
        drawn(page, SCENE_S - 2 * HOUR, SCENE_S - HOUR)
        # Two fingers: from the inner half to the whole width.
        before = len(source.asked)
        page.evaluate(
            """() => {
              finger("pointerdown", 7, 0.25);
              finger("pointermove", 7, 0.3);
              finger("pointermove", 7, 0.25);
              finger("pointerdown", 8, 0.75);
              finger("pointermove", 7, 0.0);
              finger("pointermove", 8, 1.0);
              finger("pointerup", 7, 0.0);
              finger("pointerup", 8, 1.0);
            }"""
        )
        begin_s, end_s = seen(now)
        # WORKED: what lay between the fingers fills the picture.
        assert (begin_s, end_s) == (pytest.approx(SCENE_S - 6300, abs=3), pytest.approx(SCENE_S - 4500, abs=3))
        assert len(source.asked) == before + 1
        styles = "e => getComputedStyle(e).touchAction"
        assert page.locator("#curves-picture .nsewdrag").first.evaluate(styles) == "pan-y"
        expect(page.locator(".stands")).to_contain_text("A point stands for")
        expect(page.locator("#curves-moment .caution")).to_contain_text("Wheel with Ctrl")


def test_exact_times_are_taken_in_utc(open_page: Open) -> None:
    with running(source_of()) as address:
        page = open_page(address, "/record").page
        drawn(page, SCENE_S - HOUR, SCENE_S)
        page.get_by_text("Exact times").click()
        page.get_by_label("From, UTC").fill("2026-09-12T20:00:00")
        page.get_by_label("To, UTC").fill("2026-09-12T20:00:05")
        page.get_by_role("button", name="Show it").click()
        expect(page.locator(".exact .refused")).to_contain_text("at least ten seconds")
        page.get_by_label("To, UTC").fill("2026-09-12T21:30:00")
        page.keyboard.press("Enter")
        # WORKED: 20:00 and 21:30 UTC are 3.5 h and 2 h before the scene at 23:30.
        drawn(page, SCENE_S - 3.5 * HOUR, SCENE_S - 2 * HOUR)


def test_the_view_comes_back_after_the_program_was_away(open_page: Open) -> None:
    port = free_port()
    with running(source_of(), port) as address:
        page = open_page(address, "/record").page
        drawn(page, SCENE_S - HOUR, SCENE_S)
    page.get_by_role("button", name="1 day").click()
    expect(page.locator("#record-trouble")).to_contain_text("does not answer")
    with running(source_of(), port):
        drawn(page, SCENE_S - 24 * HOUR, SCENE_S)
        expect(page.locator("#record-trouble")).to_be_hidden()


def test_a_span_up_to_now_is_asked_again_while_it_is_seen_and_holds_no_stream(open_page: Open) -> None:
    source = source_of()
    with running(source) as address:
        feeder = Feeder(source, states.surplus())
        page = open_page(address, "/record").page
        drawn(page, SCENE_S - HOUR, SCENE_S)
        page.wait_for_selector("#record:not([aria-busy])")
        health = page.request.get(address + "/health").json()
        assert health["streams"] == 0
        feeder.close()
        # The scene goes on by a minute: the page follows without being asked.
        later = states.surplus()
        later["clock"] += 60
        source.put(later)
        page.wait_for_selector(
            f"#curves-picture[data-drawn='{SCENE_S + 60 - HOUR:.0f} {SCENE_S + 60:.0f}']", timeout=20_000
        )
        hide = """(_, hide) => {
          Object.defineProperty(document, "hidden", { get: () => hide, configurable: true });
          document.dispatchEvent(new Event("visibilitychange"));
        }"""
        page.locator("html").evaluate(hide, True)
        later["clock"] += 60
        source.put(later)
        page.locator("html").evaluate(hide, False)
        # Seen again, it is brought up to date at once, not at the next turn.
        drawn(page, SCENE_S + 120 - HOUR, SCENE_S + 120)


@pytest.mark.parametrize(("path", "width"), [("", 390), ("?last=7776000", 390), ("?last=86400", 320), ("", 683)])
def test_narrow_windows_never_scroll_sideways(open_page: Open, path: str, width: int) -> None:
    with running(source_of(snap=states.two_boards_fetching())) as address:
        page = open_page(address, "/record" + path, width=width, height=844, scheme="dark").page
        page.wait_for_selector("#curves-picture[data-drawn]")
        assert sideways(page) == (width, width)


def test_touch_targets_are_44_px_and_a_finger_scrolls_the_page(open_page: Open) -> None:
    with running(source_of(snap=states.two_boards_fetching())) as address:
        page = open_page(address, "/record", width=390, height=844, has_touch=True, is_mobile=True).page
        page.wait_for_selector("#curves-picture[data-drawn]")
        page.get_by_text("Exact times").click()
        small = []
        for target in page.locator("a:not(.skip), button, summary, .scheme label, main input").all():
            box = target.bounding_box()
            if box and min(box["height"], box["width"]) < 44:
                small.append((target.inner_text(), box))
        assert small == []
        # A tap reads a moment; nothing in the picture takes the finger's scrolling away.
        before = page.locator(".moment-cells").inner_text()
        box = page.locator("#curves-picture").bounding_box()
        assert box is not None
        page.touchscreen.tap(box["x"] + 120, box["y"] + 100)
        expect(page.locator(".moment-cells")).not_to_have_text(before)
        assert page.locator("#curves-picture .nsewdrag").count() == 0 or (
            page.locator("#curves-picture .nsewdrag").first.evaluate("e => getComputedStyle(e).touchAction") != "none"
        )


def test_figures_stand_without_the_chart_library_and_the_picture_follows(open_page: Open) -> None:
    with running(source_of(states.span)) as address:
        page = open_page(address, "/health").page
        page.route("**/plotly-basic.min.js", lambda route: route.abort())
        page.goto(address + "/record")
        expect(page.locator("#curves-picture")).to_contain_text("did not load from this computer")
        expect(page.get_by_role("heading", level=1)).to_contain_text("The battery gave")
        page.unroute("**/plotly-basic.min.js")
        drawn(page, SCENE_S - HOUR, SCENE_S)
        expect(page.locator("#curves-picture")).not_to_contain_text("did not load")
