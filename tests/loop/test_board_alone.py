"""
The board when nobody listens: its log, what it keeps over a power cut, what it calls out, and how it hands over.
The unmodified firmware on littlefs, through a pty, to a real host.
"""

from __future__ import annotations

import time
import tomllib
from pathlib import Path
from typing import Any

import pytest
from ampledger import wire
from ampledger.decode import scale_of
from ampledger.simbox.box import StationBox, WaveBox
from common import TOP

from loop.rig import Rig

pytestmark = [pytest.mark.slow, pytest.mark.usefixtures("micropython")]

BUILDS = {
    "ina228": TOP / "hardware" / "board.toml",
    **{p.stem: p for p in sorted((TOP / "hardware" / "builds").glob("*.toml"))},
}


def build(name: str) -> dict[str, Any]:
    return tomllib.loads(BUILDS[name].read_text(encoding="utf-8"))


def steady(
    solar: float = 1.5, load: float = 3.5, seconds: float = 20_000.0, temp_c: float = 20.0, start_s: float = 1.79e9
) -> WaveBox:
    """Constant currents and volts; every channel exactly known."""
    rows = {"solar": solar, "battery": solar - load, "load": load}
    return WaveBox({k: [(seconds, 13.2, a)] for k, a in rows.items()}, False, start_s, temp_c)


def caught_up(rig: Rig) -> None:
    """Wait until the host is live and has everything that the board kept."""
    rig.until(lambda: rig.snapshot["t"] and not rig.snapshot["stale"])
    live = rig.live
    assert live is not None
    rig.until(lambda: live.fetch.spans)
    time.sleep(0.5)
    rig.until(lambda: not live.fetch.busy and live._anew is None, 60)


def answer(rig: Rig, verb: str, *args: object) -> dict[str, Any]:
    """The board's reply to a command."""
    live = rig.live
    assert live is not None
    replies: list[dict[str, Any]] = []
    inner = live._on_reply

    def on_reply(reply: dict[str, Any]) -> None:
        replies.append(reply)
        inner(reply)

    live._on_reply = on_reply  # type: ignore[method-assign]
    assert rig.boards is not None
    rig.boards.links.send(rig.bench.url, verb, *args)
    return rig.until(lambda: next((r for r in replies if r.get("to") == verb), None), 10)  # type: ignore[no-any-return]


def test_what_was_kept_alone_is_fetched_whole_and_counted_once(tmp_path: Path) -> None:
    with Rig(tmp_path, steady(), speed=300.0, flash="littlefs") as rig:
        rig.disconnect()
        rig.until_box(1500.0, 60)
        rig.bench.set_speed(20.0)
        rig.connect()
        caught_up(rig)
        rig.disconnect()
        rows = rig.stored()
    seqs = sorted(s for _, s in rows)
    assert seqs == list(range(len(seqs))), "from the first record on"
    readings = [wire.take_reading(p) for _, p in sorted(rows.items())]
    alone = [r for r in readings if not r.flags & wire.F_ATTENDED]
    # 50 mA of change would make it ten seconds; nothing changes here, so a record goes on for as long as it can.
    assert max(r.span_ms for r in alone) > 45_000 and sum(r.span_ms for r in alone) > 1_400_000
    # WORKED: -2 A over the time between the first record and the last.
    first, last = readings[0], readings[-1]
    counted = (last.channels[1].charge - first.channels[1].charge) * 4100 / (13107.2e6 * 0.002)
    assert counted == pytest.approx(-2.0 * (last.mono_ms - first.mono_ms) / 1000, rel=1e-4, abs=0.2)


def test_currents_that_change_are_kept_every_ten_seconds_and_every_second_when_asked(tmp_path: Path) -> None:
    box = WaveBox({k: [(3.0, 13.2, a), (4.0, 13.0, b)] for k, a, b in (("load", 1.0, 5.0),)}, repeat=True)
    with Rig(tmp_path, box, speed=300.0, flash="littlefs") as rig:
        rig.disconnect()
        rig.until_box(300.0, 60)
        rig.bench.set_speed(20.0)
        rig.connect()
        caught_up(rig)
        assert answer(rig, "log", 1)["ok"]
        assert "1 to 60" in answer(rig, "log", 90)["error"]
        rig.bench.set_speed(10.0)  # a busy machine must not make a second of the board's longer than one
        asked = rig.bench.now_s
        rig.disconnect()
        rig.until_box(asked + 60.0, 60)
        rig.bench.power_cycle()  # the setting is kept
        rig.until_box(asked + 120.0, 60)
        rig.connect()
        caught_up(rig)
        rig.disconnect()
        rows = rig.stored()
    readings = [wire.take_reading(p) for _, p in sorted(rows.items())]
    alone = [r for r in readings if not r.flags & wire.F_ATTENDED]
    whole = [r for r in alone if not r.flags & wire.F_FIRST]
    tens = [r.span_ms for r in whole if r.span_ms > 5_000]
    ones = [r.span_ms for r in whole if 700 < r.span_ms < 1_300]
    assert len(tens) >= 25 and all(9_700 <= s <= 10_400 for s in tens), tens
    assert len(ones) >= 80
    # Lowest and highest amps are there in every record of ten seconds.
    lsb = 4100 / (13107.2e6 * 0.002) * 16
    wide = [r.channels[2] for r in whole if r.span_ms > 9_000]
    assert all(c.cur_min * lsb == pytest.approx(1.0, abs=0.01) for c in wide)
    assert all(c.cur_max * lsb == pytest.approx(5.0, abs=0.01) for c in wide)


def test_a_power_cut_costs_a_second_and_the_start_nobody_saw_is_told(tmp_path: Path) -> None:
    with Rig(tmp_path, steady(), speed=200.0, flash="littlefs") as rig:
        rig.until(lambda: rig.snapshot["link"]["records"] > 20)
        rig.disconnect()
        rig.until_box(rig.bench.now_s + 100.0, 30)
        lost: list[int] = []
        for _ in range(3):
            rig.bench.call(lambda: lost.append(int(rig.bench.chips["battery"]._charge // 1)))
            rig.bench.power_cycle(chips=True)
            rig.until_box(rig.bench.now_s + 100.0, 30)
        rig.bench.set_speed(20.0)
        rig.connect()
        caught_up(rig)
        # It is said with the next conclusions, which may take a moment on a busy machine.
        rig.until(lambda: "caught-up" in {n["code"] for n in rig.snapshot["notices"]})
        shown = rig.snapshot
        assert rig.store is not None
        infos = rig.store.infos(rig.live.device)  # type: ignore[union-attr]
        rig.disconnect()
        rows = rig.stored()
    assert [i["boots"] for i in infos] == [1, 2, 3, 4]
    assert "caught-up" in {n["code"] for n in shown["notices"]}
    for info, counted in zip(infos[:3], lost, strict=True):
        last = max(s for b, s in rows if b == info["boot"])
        c = wire.take_reading(rows[info["boot"], last]).channels[1]
        missed = (counted - c.charge) * scale_of(info).channels[1].charge_c
        # WORKED: 2 A out of the battery; a checkpoint a second and a sample of 200 ms, and the writing of both.
        assert -2.0 * 1.4 <= missed <= 0.0, (info["boots"], missed)


def test_the_charge_the_host_gave_is_counted_on_and_survives_a_power_cut(tmp_path: Path) -> None:
    with Rig(tmp_path, steady(solar=0.0, load=6.0), speed=100.0, flash="littlefs") as rig:
        rig.until(lambda: rig.snapshot["link"]["records"] > 20)
        rig.until(lambda: answer(rig, "held", 800_000, 20_000, 200_000)["ok"])
        told = rig.bench.now_s
        rig.disconnect()
        rig.until_box(told + 1200.0, 60)
        rig.bench.power_cycle()  # the chips count on
        rig.until_box(told + 1800.0, 60)
        rig.bench.power_cycle(chips=True)
        rig.until_box(told + 2400.0, 60)
        rig.bench.set_speed(20.0)
        at = rig.bench.now_s
        rig.connect()
        rig.until(lambda: rig.live is not None and rig.live.info)
        info = rig.live.info  # type: ignore[union-attr]
        assert info is not None
        soc, about = info["held"]
    # WORKED: 6 A out of 20 Ah from 80 % on.
    expected = 800_000 - (at - told) * 6.0 / (20.0 * 3600) * 1e6
    assert soc == pytest.approx(expected, abs=1500), "to a quarter of a minute of six amps"
    assert about, "a chip that lost its power leaves a doubt"


@pytest.mark.parametrize("held_for", [5, True])
def test_a_hung_bus_is_freed_by_clocking_if_that_helps(tmp_path: Path, held_for: Any) -> None:
    with Rig(tmp_path, steady(), speed=10.0, flash="littlefs") as rig:
        rig.until(lambda: rig.snapshot["link"]["records"] > 30)

        def hang() -> None:
            rig.bench.bus.stuck = held_for

        rig.bench.call(hang)
        if held_for is True:
            rig.until(lambda: rig.snapshot["battery"]["a"] is None)
            assert answer(rig, "health")["clears"] == 0, "what is not free is not called freed"
            rig.bench.call(lambda: setattr(rig.bench.bus, "stuck", False))
            rig.until(lambda: rig.snapshot["battery"]["a"] is not None)
        else:
            rig.until(lambda: rig.bench.bus.clears == 1)
            rig.until(lambda: rig.snapshot["battery"]["a"] is not None)
            assert answer(rig, "health")["clears"] == 1
        until = rig.bench.now_s + 3.0
        rig.until(lambda: rig.bench.now_s > until)
        rig.disconnect()
        readings = [wire.take_reading(p) for _, p in sorted(rig.stored().items())]
    stuck = [r for r in readings if r.channels[0].status & wire.S_STUCK]
    assert bool(stuck) is (held_for is not True)
    assert any(c.status & wire.S_PARTIAL for r in readings for c in r.channels)
    tags = {r.channels[1].tag for r in readings if r.channels[1].n}
    assert len(tags) == 1, "the chips counted on: one run"
    counted = (readings[-1].channels[1].charge - readings[0].channels[1].charge) * 4100 / (13107.2e6 * 0.002)
    assert counted == pytest.approx(-2.0 * (readings[-1].mono_ms - readings[0].mono_ms) / 1000, rel=1e-3, abs=0.3)


@pytest.mark.parametrize("name", ["ina226", "ads1115", "mixed"])
def test_other_builds_count_the_same_coulombs(tmp_path: Path, name: str) -> None:
    rows = [(7.3, 13.2, 1.0), (4.9, 12.9, 8.0)]
    box = WaveBox({"solar": [(12.2, 13.0, 2.0)], "load": rows,
                   "battery": [(t, v, 2.0 - a) for t, v, a in rows]}, repeat=True)  # fmt: skip
    with Rig(tmp_path, box, speed=20.0, flash="littlefs", board=build(name)) as rig:
        rig.until(lambda: rig.snapshot["link"]["records"] > 100)
        rig.disconnect()
        rig.until_box(rig.bench.now_s + 240.0, 60)
        rig.connect()
        caught_up(rig)
        info = rig.live.info  # type: ignore[union-attr]
        rig.disconnect()
        readings = [wire.take_reading(p) for _, p in sorted(rig.stored().items())]
        assert not rig.bench.faults.resets
    assert info is not None and info["board"] == build(name)["board"]["name"]
    readings = [r for r in readings if all(c.n for c in r.channels)]
    first, last = readings[0], readings[-1]
    begin, end = (r.mono_ms / 1000 for r in (first, last))
    for i, (tap, worth) in enumerate(zip(wire.CHANNELS, scale_of(info).channels, strict=True)):
        assert first.channels[i].tag == last.channels[i].tag, "one run of the counter"
        counted = (last.channels[i].charge - first.channels[i].charge) * worth.charge_c
        true = box.integral_c(tap, begin, end)
        through = box.integral_c("load", begin, end)
        # The windows lie a sample behind, once at each end of 8 A; the rest is what hardware/README.md gives to
        # sampling of the software counters, as a share of what flowed.
        assert counted == pytest.approx(true, abs=0.005 * through + 0.3 * 8.0), tap


def test_without_a_cable_the_board_sleeps_and_calls_out_by_itself(tmp_path: Path) -> None:
    mixed = build("mixed")
    mixed["alarms"]["deficit_s"] = 60
    del mixed["gps"]  # which would be listened to for its first minutes
    display = mixed["display"]["address"]
    # Five amps into a battery at -3 degC.
    with Rig(tmp_path, steady(5.5, 0.5, temp_c=-3.0), speed=100.0, flash="littlefs", board=mixed,
             display=display) as rig:  # fmt: skip
        rig.disconnect()
        rig.bench.unplug()
        rig.until_box(120.0, 60)
        slept = rig.bench.slept_ms
        led = list(rig.bench.pins[mixed["board"]["led_pin"]])
        tones = list(rig.bench.pwm[mixed["piezo"]["pin"]])
        lines = list(rig.bench.display)
    assert slept > 60_000
    assert any("cold" in line for line in lines) and any("from sun" in line for line in lines), lines
    assert any("+5.0" in line or "+4.9" in line for line in lines), lines
    # Three blinks and a pause: at the most three within two seconds, and often.
    late = [t for t, level in led if level and t > 60.0]
    assert len(late) > 30
    assert max(sum(1 for u in late if t <= u < t + 1.4) for t in late) == 3
    assert any(duty for _, duty, *_ in tones) or tones


def test_a_satellite_receiver_gives_the_time_without_a_host(tmp_path: Path) -> None:
    mixed = build("mixed")
    box = steady(start_s=1.81e9)  # after the firmware was made, before which no date is believed

    def sentence(body: str) -> bytes:
        check = 0
        for b in body.encode():
            check ^= b
        return f"${body}*{check:02X}\r\n".encode()

    with Rig(tmp_path, box, speed=5.0, flash="littlefs", board=mixed, display=mixed["display"]["address"]) as rig:
        rig.disconnect()
        bench = rig.bench

        def feed(n: int) -> None:
            t = time.gmtime(int(box.start_unix_s + bench.now_s))
            clock, date = time.strftime("%H%M%S", t), time.strftime("%d%m%y", t)
            bench.uart_feed(sentence(f"GPRMC,{clock}.00,A,4337.2000,N,10812.0000,W,0.0,0.0,{date},,,A"))
            bench.at(bench.now_s + 1.0, lambda: feed(n + 1))

        bench.at(3.0, lambda: feed(0))
        rig.until_box(20.0, 30)
        bench.power_cycle()  # this start will never see a host
        rig.until_box(40.0, 30)
        bench.power_cycle()
        rig.until_box(55.0, 30)
        rig.connect()
        caught_up(rig)
        assert rig.store is not None and rig.live is not None
        device = rig.live.device
        info = rig.live.info
        starts = {i["boots"]: rig.store.anchors(device, i["boot"]) for i in rig.store.infos(device)}
    assert info is not None
    # WORKED: 43 deg 37.2 min N, 108 deg 12.0 min W in millionths of a degree.
    assert info["position"] == [43_620_000, -108_200_000]
    for nth in (1, 2):
        (anchor,) = starts[nth]
        assert anchor.uncertainty_ms >= 1000
        zero_s = (anchor.unix_ms - anchor.mono_ms) / 1000 - box.start_unix_s
        # The start's zero in box time, to what the anchor claims.
        assert abs(zero_s - {1: 0.0, 2: 20.0}[nth]) < 1.5 + anchor.uncertainty_ms / 1000, (nth, zero_s)


def test_a_damaged_calibration_is_put_aside_and_said(tmp_path: Path) -> None:
    with Rig(tmp_path, steady(), speed=100.0, flash="littlefs") as rig:
        rig.disconnect()
        rig.until_box(100.0, 30)
        assert rig.bench.read_file("boots") == b"1"
        rig.bench.power_off()
        rig.bench.write_file("calibration.json", b"\xff not json")
        rig.bench.power_on()
        rig.until_box(130.0, 30)
        rig.bench.set_speed(20.0)
        rig.connect()
        caught_up(rig)
        shown = rig.snapshot
        said = [n["seen"] for n in shown["notices"] if n["code"] == "board-says"]
        assert any("calibration" in text for text in said), said
        assert "calibration.bad" in rig.bench.list_files()


def test_a_station_that_draws_more_than_it_gets_is_called_out_after_a_while(tmp_path: Path) -> None:
    mixed = build("mixed")
    mixed["alarms"]["deficit_s"] = 60
    box = StationBox("cw", solar_a=0.4, share=0.5)
    with Rig(tmp_path, box, speed=100.0, flash="littlefs", board=mixed) as rig:
        rig.disconnect()
        rig.until_box(400.0, 60)
        led = list(rig.bench.pins[mixed["board"]["led_pin"]])
    early = [t for t, level in led if level and t < 45.0]
    late = [t for t, level in led if level and t > 300.0]
    # Before: one flash every 4 s. After: one blink every 1.8 s.
    assert len(early) <= 13
    assert len(late) >= 45
