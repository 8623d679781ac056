"""The view Box and the first questions in a browser: what is told and refused; wires; health; a known charge."""

from __future__ import annotations

import contextlib
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import page_states as states
import pytest
from ampledger.boxbook import wiring
from ampledger.intake import Intake
from ampledger.store import Store
from page_browser import Watched, running
from page_states import FakeSource, Feeder
from playwright.sync_api import expect

pytestmark = pytest.mark.slow

Open = Callable[..., Watched]
LOG_S = 1789250400  # 2026-09-12T22:00:00Z


def test_the_box_is_told_in_a_form_and_its_wires_are_reckoned(open_page: Open) -> None:
    source = FakeSource(states.surplus(), states.history())
    with running(source) as address:
        feeder = Feeder(source, states.surplus())
        asked = "branch=radio&awg=14&length_m=2&peak_a=10&mean_a=3&begin_v=12.8&fuse_a=15&contacts=6"
        seen = open_page(address, f"/box?{asked}")
        page = seen.page
        page.wait_for_selector("#box[data-ready]")
        # What is usual stands in an empty field; only what was changed is sent.
        expect(page.locator("#told-radio_min_v")).to_have_attribute("placeholder", "11.7")
        page.locator("#told-capacity_ah").fill("12.5")
        page.get_by_text("What fuses, wires and battery bear").first.click()
        page.locator("#told-battery_fuse_a").fill("20")
        page.get_by_role("button", name="Keep this").click()
        expect(page.locator("#done")).to_contain_text("Kept")
        assert (states.BOARD, {"set": {"capacity_ah": 12.5, "battery_fuse_a": 20}}) in source.asked
        expect(page.locator("#box-sentence")).to_have_text("12.5 Ah, 4 cells, a reserve of 20 %")
        expect(page.get_by_role("button", name="Take the last change back")).to_be_visible()
        source.refusal = "--capacity-ah 0: expected ampere-hours above 0, up to 10000."
        page.locator("#told-capacity_ah").evaluate("(input) => { input.value = '0'; input.form.noValidate = true; }")
        page.get_by_role("button", name="Keep this").click()
        expect(page.locator("#told-panel .refused")).to_contain_text("Not changed. “capacity-ah” 0: expected")
        source.refusal = ""
        # The wires: what the program reckons, worked out from the address and anew with each figure.
        worked = wiring({"awg": 14.0, "length_m": 2.0, "peak_a": 10.0, "mean_a": 3.0, "begin_v": 12.8, "fuse_a": 15.0,
                         "contacts": 6.0})  # fmt: skip
        page.wait_for_selector(f"#branches-panel[data-drawn='{1e3 * worked['ohm']:.3f}']")
        expect(page.locator("#branches-panel")).to_contain_text(f"{worked['lost_v']:.2f}\u00a0V")
        page.locator("#branch-fuse_a").fill("30")
        expect(page.locator(".branch-looks").first).to_contain_text("does not protect a wire that may carry 15")
        assert "fuse_a=30" in page.url
        page.locator("#branch-awg").fill("99")
        expect(page.locator("#branches-panel .refused")).to_contain_text("AWG 99")
        expect(page.locator("#branches-panel")).to_contain_text("21.0\u00a0mΩ between")
        # A charge that one knows, and what is known of the battery, with ranges.
        page.locator("#fill-value").fill("80")
        page.get_by_role("button", name="Tell it").click()
        expect(page.locator("#done")).to_contain_text("Told: 80")
        assert (states.BOARD, {"charge": 0.8, "sd": 0.05}) in source.asked
        expect(page.locator("#health-panel")).to_contain_text("5.74 (5.60 to 5.90) Ah; from 3 counted")
        assert page.locator(".health-dot").count() == 4
        feeder.close()
        assert [line for line in seen.console if "400" not in line] == []


def test_the_first_questions_stand_below_the_verdict_and_never_come_again(open_page: Open) -> None:
    snap = states.short_keyed() | {"first": {"capacity_ah": 20.0, "series": 4, "placement": "panel-side"}}
    source = FakeSource(snap, states.history())
    with running(source) as address:
        page = open_page(address, width=390, height=844).page
        expect(page.locator("#first")).to_contain_text("between panel and controller")
        verdict, asks = page.locator("#verdict").bounding_box(), page.locator("#first").bounding_box()
        assert verdict and asks and verdict["y"] + verdict["height"] <= asks["y"]
        page.locator("#first-ah").fill("12")
        page.locator("#first-place").fill("DN53vo")
        page.get_by_role("button", name="That is my box").click()
        expect(page.locator("#first")).to_be_hidden()
        assert (states.BOARD, {"place": "DN53vo"}) in source.asked
        assert (states.BOARD, {"set": {"capacity_ah": 12, "series": 4}}) in source.asked
        source.put(snap)  # asked again: put off, which the program keeps
        page.reload()
        page.get_by_role("button", name="Later").click()
        expect(page.locator("#first")).to_be_hidden()
        assert (states.BOARD, {"later": True}) in source.asked


def test_work_stands_below_the_header_and_is_stopped_there_and_goes_on(open_page: Open) -> None:
    snap = states.two_boards_fetching()
    source = FakeSource(snap, states.history())
    with running(source) as address:
        seen = open_page(address, "/trip", width=390, height=844)
        line, spoken = seen.page.locator("#work-line"), seen.page.locator("#spoken-work")
        # WORKED: 12180 of 29000 are 42 %; 44 s in whole tens are 50 s; 6460 of 7700 are left, so 1240 are there.
        expect(line).to_contain_text("worked out anew: 42 % (12 180 of 29 000 records), about 50 s left")
        expect(line).to_contain_text("1 240 of 7 700 records fetched")
        for name in ("Stop", "Pause"):
            box = line.get_by_role("button", name=name).bounding_box()
            assert box and min(box["height"], box["width"]) >= 44, name
        (work,) = snap["work"]
        source.put(snap | {"work": [work | {"share": 0.5, "done": 14_500}]})
        expect(line.locator(".work-row progress")).to_have_attribute("value", "50")
        expect(spoken).to_have_text("")  # neither what was under way before the page came, nor a step
        line.get_by_role("button", name="Stop").click()
        why = "What is shown was concluded before."
        held = work | {"share": 0.5, "state": "stopped", "why": why, "wish": "go", "left_s": None}
        source.put(snap | {"work": [held]})
        expect(line).to_contain_text(f"stopped at 50 %. {why}")
        expect(spoken).to_contain_text("Stopped: Charge and notices")
        expect(line.get_by_role("button", name="Go on")).to_be_focused()
        seen.page.keyboard.press("Enter")
        source.put(snap)
        expect(spoken).to_contain_text("Begun: Charge and notices")
        source.put(snap | {"work": [], "fetching": None})
        expect(line).to_be_hidden()
        expect(spoken).to_contain_text("Done: Charge and notices")
        assert [a for a in source.asked if a[1] == "anew"] == [("a1", "anew", "stop"), ("a1", "anew", "go")]
        assert seen.console == []


def test_a_log_file_is_brought_in_dropped_again_and_stopped(open_page: Open, tmp_path: Path) -> None:
    rows = "".join(f"2026-09-12T22:{i // 60:02}:{i % 60:02}Z,13.1,-0.5\n" for i in range(1800))
    path = tmp_path / "shack.csv"
    path.write_text("time_utc,battery_v,battery_a\n" + rows)
    source = FakeSource(states.surplus(), states.history())
    with running(source) as address, contextlib.closing(Store(tmp_path / "s.sqlite")) as store:
        source.brought = Intake(store, lambda: states.SCENE_S, lambda: 1e12)
        log = {"number": 1, "name": "shack.csv", "rows": 1800, "t0": float(LOG_S), "t1": LOG_S + 1799.5}
        source.facts = lambda board: source.box | {"logs": [log] if store.logs() else []}  # type: ignore[method-assign]
        feeder = Feeder(source, states.surplus())
        seen = open_page(address, "/box")
        page, line = seen.page, seen.page.locator("#work-line")
        page.locator("#bring-file").set_input_files(path)
        page.get_by_role("button", name="Bring it in").click()
        expect(line).to_contain_text("Bringing in shack.csv: done. 1800 rows are in the store as log:1.")
        assert [log["rows"] for log in store.logs()] == [1800]
        link = page.get_by_role("link", name="shack.csv")
        assert link.get_attribute("href") == f"/record?log=1&since={LOG_S}&until={LOG_S + 1800}"
        there = re.compile(r"12\s+Sep\s+2026, 22:00\s+UTC, 1\s800\s+rows \(log:1\)")
        expect(page.locator(".bring-there")).to_contain_text(there)
        line.get_by_role("button", name="Close").click()
        expect(line).to_be_hidden()
        drop = """([text, name]) => {
            const files = new DataTransfer();
            files.items.add(new File([text], name));
            const event = new DragEvent("drop", { dataTransfer: files, bubbles: true, cancelable: true });
            document.getElementById("bring-panel").dispatchEvent(event);
        }"""
        page.evaluate(drop, [path.read_text(), "again.csv"])
        expect(line).to_contain_text("again.csv is in the store already: imported as log:1 from shack.csv")
        # Stopped between its first piece and its second, which is on its way then.
        held: list[Any] = []

        def hold(route: Any) -> None:
            if '"at":45000' in (route.request.post_data or ""):
                held.append(route)
            else:
                route.continue_()

        page.route("**/bring", hold)
        page.evaluate(drop, ["x" + path.read_text(), "third.csv"])
        line.get_by_role("button", name="Stop").click()
        # WORKED: 1 + 29 + 1800 x 31 bytes; 45000 of them were there, and taking them is a fifth of it all: 16.1 %.
        assert path.stat().st_size + 1 == 55_830
        expect(line).to_contain_text("Bringing in third.csv: stopped at 16 %. Nothing of it was kept.")
        held[0].continue_()
        expect(page.locator("#bring-panel .refused")).to_contain_text("not being brought in any more")
        assert len(store.logs()) == 1 and list(tmp_path.glob("being-*")) == []
        source.brought.close()
        feeder.close()
        link.click()
        expect(page.locator("#record-log")).to_contain_text("the imported log:1. Back to the records")
        expect(page.locator("#record[data-ready]")).to_be_visible()
        assert any(one[0] == "log:1" and len(one) == 4 for one in source.asked)
        assert [text for text in seen.console if "400" not in text] == []
