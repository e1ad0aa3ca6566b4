"""Load for the fleet: thousands of sites that speak as real monitors do, from one process and one connection.

Not the physical simulator: what a site says is a function of its number and the cycle's, so that any message can be
made again when it is asked for, and a whole season can be made without running it. Each site runs one cycle after
another over design days of its own; every FAULT_EVERY-th cycle a finding stands until the next one. The messages are
the program's own types (monitor/publishers/messages.py).

    python -m tests.fleet.load --port 1883 --sites 10000 --seconds 60
"""

from __future__ import annotations

import argparse
import select
import sys
import time
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from typing import NamedTuple

import msgspec
import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode

from condenser_monitor.monitor.core.findings import CATALOGUE
from condenser_monitor.monitor.core.records import (
    AlertState,
    ChangeKind,
    LinkState,
    StartTransient,
)
from condenser_monitor.monitor.publishers.messages import (
    AlertMessage,
    AnswerMessage,
    ChangeMessage,
    CycleMessage,
    FindingMessage,
    LinkMessage,
    ResendRequest,
    UnitMessage,
    read_request,
    topic,
)
from condenser_monitor.monitor.storage.schema import message_id
from condenser_monitor.monitor.strings.calm import Reason
from condenser_monitor.sim.weather import DAY_S, design_day_c

FAULT_EVERY = 25  # cycles of one site from one finding to the next
CYCLE_S = 2700.0  # from one start to the next
RUN_S = 900.0
SEASON_BEGINS = 1_778_803_200.0  # 2026-05-15T00:00:00Z
# finding and what is still suspected, about as usual as in the trade (common practice)
FAULTS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("pull-in-without-run", ("contacts-not-making", "loose-connection")),
    ("compressor-not-running", ("run-capacitor", "compressor-overload-open", "compressor-winding-open")),
    ("call-without-pull-in", ("coil-open", "loose-connection")),
    ("high-running-current", ("condenser-dirty", "charge-high", "fan-motor")),
    ("call-not-reaching-unit", ("float-switch", "control-wire-open", "pressure-switch")),
    ("short-cycling", ("thermostat", "equipment-oversized", "loose-connection")),
    ("fan-not-running", ("fan-capacitor", "fan-motor")),
    ("slow-start", ("run-capacitor",)),
    ("control-power-lost", ("control-fuse", "control-transformer")),
    ("low-running-current", ("charge-low",)),
    ("line-supply-lost", ("line-supply-off",)),
    ("locked-rotor", ("run-capacitor", "compressor-locked")),
)
_LINKS = ("control-power", "thermostat-call", "call", "coil-current", "line-supply", "contacts", "compressor", "fan")
_encode = msgspec.json.Encoder().encode
Raw = tuple[str, bytes]


def site_name(number: int) -> str:
    """SITE-ID of a site of the load."""
    return f"load-{number:06d}"


def site_number(name: str) -> int:
    """The number in a site's name."""
    return int(name.rpartition("-")[2])


class Fault(NamedTuple):
    """A finding that stands from cycle `cycle` to the next; its four events are numbered `first_seq` on."""

    cycle: int
    first_seq: int
    finding: str
    suspects: tuple[str, ...]


class LoadSite:
    """What one site says. Cycles are numbered from 1; all is a function of the site's number and the cycle's."""

    def __init__(self, number: int) -> None:
        self.number, self.name = number, site_name(number)
        self.origin = f"{number:x}.load"
        self._phase = 1 + number * 7 % FAULT_EVERY
        self._hottest_c = 29.0 + number * 13 % 10
        self._rla_a = 9.0 + number * 5 % 12

    def begins_at(self, cycle: int) -> float:
        """When a cycle starts, seconds since 1970."""
        return SEASON_BEGINS + cycle * CYCLE_S + self.number % 2700

    def outdoor_c(self, at: float) -> float:
        """A design day, the hottest of which is the site's own."""
        return round(design_day_c(self._hottest_c, 11.0, at % DAY_S / 3600.0), 1)

    def fault(self, cycle: int) -> Fault | None:
        """The finding that stands during a cycle."""
        index, rest = divmod(cycle - self._phase, FAULT_EVERY)
        if rest or index < 0:
            return None
        finding, suspects = FAULTS[(self.number + 5 * index) % len(FAULTS)]
        return Fault(cycle, 4 * index + 1, finding, suspects)

    def events_up_to(self, cycle: int) -> int:
        """How many events are numbered when a cycle has ended."""
        done = max(0, (cycle - self._phase) // FAULT_EVERY + 1)
        return 4 * done - (2 if self.fault(cycle) else 0)

    def burst(self, cycle: int) -> Iterator[Raw]:
        """Everything that is said during one cycle, in order."""
        yield from self.begin(cycle)
        yield from self.end(cycle)

    def begin(self, cycle: int) -> Iterator[Raw]:
        """What is said when a cycle begins, in order: the last one's finding goes, the unit runs, a finding comes."""
        before, now = self.fault(cycle - 1), self.fault(cycle)
        if before is not None:
            yield from (self.event(before.first_seq + 2), self.event(before.first_seq + 3))
        yield self.unit(cycle, running=True)
        if now is not None:
            yield from (self.event(now.first_seq), self.event(now.first_seq + 1))

    def end(self, cycle: int) -> Iterator[Raw]:
        """What is said when it ends."""
        yield self.cycle(cycle)
        yield self.unit(cycle, running=False)

    def again(self, channel: str, seq: int) -> Raw:
        """A numbered message once more."""
        return self.event(seq) if channel == "events" else self.cycle(seq)

    def event(self, seq: int) -> Raw:
        """The event of a number: raised and its alert, cleared and its alert."""
        index, step = divmod(seq - 1, 4)
        fault = self.fault(self._phase + FAULT_EVERY * index)
        assert fault is not None
        at = self.begins_at(fault.cycle + step // 2) + 60.0
        severity, summary = CATALOGUE[fault.finding].severity, CATALOGUE[fault.finding].summary
        name = message_id(self.origin, "events", seq)
        message: ChangeMessage | AlertMessage
        if step % 2 == 0:
            message = ChangeMessage(
                id=name,
                seq=seq,
                site=self.name,
                run=1,
                t_s=at - SEASON_BEGINS,
                wall_s=at,
                change=ChangeKind.CLEARED if step else ChangeKind.RAISED,
                finding=fault.finding,
                severity=severity,
                suspects=() if step else fault.suspects,
                evidence={"control_v": 26.4, "outdoor_c": self.outdoor_c(at)},
                summary=summary,
            )
        else:
            message = AlertMessage(
                id=name,
                seq=seq,
                site=self.name,
                run=1,
                t_s=at - SEASON_BEGINS,
                wall_s=at,
                finding=fault.finding,
                state_was=AlertState.UNACKED if step == 3 else AlertState.NORMAL,
                state=AlertState.NORMAL if step == 3 else AlertState.UNACKED,
                severity=severity,
                tell="all-clear" if step == 3 else "alarm",
                summary=summary,
            )
        return topic(self.name, "events"), _encode(message)

    def amperes(self, cycle: int) -> tuple[float, float]:
        """Running current and outdoor temperature of a cycle; every twentieth site drifts up over the season."""
        outdoor_c = self.outdoor_c(self.begins_at(cycle))
        drift = 1.0 + (cycle / 40_000.0 if self.number % 20 == 3 else 0.0)
        return round(self._rla_a * (0.72 + 0.011 * (outdoor_c - 27.0)) * drift, 2), outdoor_c

    def cycle(self, seq: int) -> Raw:
        """The cycle of a number."""
        at = self.begins_at(seq)
        amps, outdoor_c = self.amperes(seq)
        start = StartTransient(t_s=0.0, duration_s=0.19, peak_a=60.0, settled_a=amps, rate_hz=860.0)
        message = CycleMessage(
            id=message_id(self.origin, "cycles", seq),
            seq=seq,
            site=self.name,
            run=1,
            started_s=at - SEASON_BEGINS,
            stopped_s=at - SEASON_BEGINS + RUN_S,
            started_wall_s=at,
            stopped_wall_s=at + RUN_S,
            start_seen=True,
            pull_in_s=0.02,
            run_delay_s=0.1,
            run_s=RUN_S,
            compressor_a=amps,
            compressor_max_a=round(1.1 * amps, 2),
            fan_a=1.1,
            control_v=26.4,
            coil_a=0.2,
            outdoor_c=outdoor_c,
            closings=1,
            compressor_starts=1,
            transient=start,
        )
        return topic(self.name, "cycles"), _encode(message)

    def unit(self, cycle: int, *, running: bool) -> Raw:
        """The retained state, in the middle of a cycle or at its end."""
        at = self.begins_at(cycle) + (120.0 if running else RUN_S)
        fault = self.fault(cycle)
        state = LinkState.LIVE if running else LinkState.DEAD
        message = UnitMessage(
            id="unit-load",
            site=self.name,
            name=f"Site {self.number}",
            wall_s=at,
            cycle="running" if running else "idle",
            cycle_since_wall_s=self.begins_at(cycle),
            links=tuple(LinkMessage(name=n, state=state, since_wall_s=at, inferred=False) for n in _LINKS),
            findings=(self._standing(fault),) if fault else (),
            alerts=(),
            break_at=CATALOGUE[fault.finding].link or None if fault else None,
            service_until_wall_s=None,
            readings={"call": running, "control_v": 26.4, "outdoor_c": self.outdoor_c(at)},
            origin=self.origin,
            calm=fault is None,
            reason=Reason.FINDING if fault else Reason.CALM,
            open=1 if fault else 0,
            sent={"events": self.events_up_to(cycle if not running else cycle - 1), "cycles": cycle - running},
        )
        return topic(self.name, "unit"), _encode(message)

    def _standing(self, fault: Fault) -> FindingMessage:
        at = self.begins_at(fault.cycle) + 60.0
        row = CATALOGUE[fault.finding]
        return FindingMessage(
            name=row.name,
            severity=row.severity,
            since_wall_s=at,
            raised_wall_s=at,
            suspects=fault.suspects,
            evidence={"control_v": 26.4},
            summary=row.summary,
        )


class LoadPublisher:
    """One connection that speaks for many sites: keeps what the broker has not taken, and answers `resend` requests.

    `window` is how many messages may be under way. Failures of the broker are waited out.
    """

    def __init__(self, port: int, sites: Sequence[int], *, host: str = "127.0.0.1", window: int = 1000) -> None:
        self.sites = {number: LoadSite(number) for number in sites}
        self.cycle = 0  # the last cycle that the first site has told of; between rounds, all of them
        self.sent = 0
        self._first, self._due_s = min(sites), 0.0
        self._window = window
        name = f"load-{min(sites)}-{time.time_ns()}"
        self._client = paho.Client(CallbackAPIVersion.VERSION2, client_id=name, clean_session=False)
        self._client.max_inflight_messages_set(window + 1)
        self._client.on_message, self._client.on_connect = self._on_message, self._on_connect
        self._under_way: set[int] = set()
        self._client.on_publish = lambda _c, _d, mid, _code, _p: self._under_way.discard(mid)
        self._wishes: list[tuple[str, ResendRequest]] = []
        self._client.connect(host, port)
        self._turn(1.0)

    def round(self, pace_per_s: float = 0.0) -> None:
        """One cycle of every site, at most `pace_per_s` messages a second (0: as fast as the broker takes them). As
        with real sites, what one says at the end of a cycle comes long after what it said at the beginning."""
        self.cycle += 1
        for part in (LoadSite.begin, LoadSite.end):
            for site in self.sites.values():
                self._say(part(site, self.cycle), pace_per_s)

    def speak(self, number: int, pace_per_s: float = 0.0) -> None:
        """The next cycle of one site, whole."""
        if number == self._first:
            self.cycle += 1
        self._say(self.sites[number].burst(self.cycle), pace_per_s)

    def _say(self, raws: Iterator[Raw], pace_per_s: float) -> None:
        before = self.sent
        for name, payload in raws:
            self._publish(name, payload, retain=name.endswith("/unit"))
        if pace_per_s:
            self._due_s = max(self._due_s + (self.sent - before) / pace_per_s, time.monotonic() - 1.0)
            while (wait_s := self._due_s - time.monotonic()) > 0:
                self._turn(wait_s)

    def settle(self, seconds: float) -> bool:
        """Answer requests until everything is taken, for so long at the most; whether it was."""
        until = time.monotonic() + seconds
        while (self._under_way or self._wishes) and time.monotonic() < until:
            self._turn(0.05)
        return not self._under_way

    def listen(self, seconds: float) -> None:
        """Answer requests for so long."""
        until = time.monotonic() + seconds
        while time.monotonic() < until:
            self._turn(0.05)

    def say_all(self) -> None:
        """Every site's retained state once more, as of its last cycle."""
        for site in self.sites.values():
            name, payload = site.unit(self.cycle, running=False)
            self._publish(name, payload, retain=True)

    def close(self) -> None:
        """Go."""
        self._client.disconnect()

    def _publish(self, name: str, payload: bytes, retain: bool = False) -> None:
        info = self._client.publish(name, payload, qos=1, retain=retain)
        self._under_way.add(info.mid)
        self.sent += 1
        if len(self._under_way) % 50 == 0:
            self._turn(0.0)
        while len(self._under_way) >= self._window:
            self._turn(0.1)

    def _turn(self, wait_s: float) -> None:
        """Turn paho's loop; connect again after a failure (paho then sends what was under way again)."""
        sock = self._client.socket()
        if sock is None:
            time.sleep(0.05)
            try:
                self._client.reconnect()
            except OSError:
                return
            return
        if select.select([sock], [], [], wait_s)[0] and self._client.loop_read() != MQTTErrorCode.MQTT_ERR_SUCCESS:
            return
        self._client.loop_misc()
        self._answer()

    def _on_connect(self, client: paho.Client, *_: object) -> None:
        client.subscribe(topic("+", "requests"), 1)

    def _on_message(self, _client: paho.Client, _data: object, message: paho.MQTTMessage) -> None:
        request = read_request(bytes(message.payload))
        name = message.topic.split("/")[2]
        if isinstance(request, ResendRequest) and site_number(name) in self.sites:
            self._wishes.append((name, request))

    def _answer(self) -> None:
        wishes, self._wishes = self._wishes, []
        for name, wish in wishes:
            site = self.sites[site_number(name)]
            for seq in range(wish.from_seq, wish.to_seq + 1):
                self._client.publish(*site.again(wish.topic, seq), qos=1)
            answer = AnswerMessage(id=wish.id, done=True, site=name, first_seq=1)
            self._client.publish(topic(name, "answers"), _encode(answer), qos=1)


def main(arguments: Sequence[str] | None = None) -> int:
    """Publish for a number of sites until the time is over; prints how many messages the broker took a second."""
    parser = argparse.ArgumentParser(prog="python -m tests.fleet.load", description="Load for the fleet.")
    parser.add_argument("--host", default="127.0.0.1")
    parser.add_argument("--port", type=int, default=1883)
    parser.add_argument("--sites", type=int, default=10_000)
    parser.add_argument("--first", type=int, default=0, help="number of the first site")
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--pace", type=float, default=0.0, help="messages a second at the most; 0 for no bound")
    chosen = parser.parse_args(arguments)
    publisher = LoadPublisher(chosen.port, range(chosen.first, chosen.first + chosen.sites), host=chosen.host)
    began = time.monotonic()
    while time.monotonic() - began < chosen.seconds:
        publisher.round(chosen.pace)
    publisher.settle(30.0)
    took_s = time.monotonic() - began
    publisher.close()
    now = datetime.now(UTC).isoformat(timespec="seconds")
    print(f"{now} {publisher.sent} messages of {chosen.sites} sites in {took_s:.1f} s: {publisher.sent / took_s:.0f}/s")
    return 0


if __name__ == "__main__":
    sys.exit(main())
