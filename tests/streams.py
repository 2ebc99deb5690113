"""Hand-made and random streams of one machine's scans."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from itertools import pairwise

from hypothesis import strategies as st

from collector.message import Scan, Value
from tests.tracked import Detector, Settings

START_MS = int(datetime(2026, 3, 1, tzinfo=UTC).timestamp() * 1000)

ROLES = {
    "speed": "reel.speed",
    "stock_on": "headbox.stock_on",
    "planned": "crew.sheet_off",
    "grade": "order.grade",
    "shade": "order.shade",
    "reel": "reel.number",
    "basis_weight": "scanner.basis_weight",
}

DETECTORS = (
    Detector(tag="sheet.press", section="press", position_m=30.0),
    Detector(tag="sheet.predryer", section="predryer", position_m=130.0),
    Detector(tag="sheet.afterdryer", section="afterdryer", position_m=190.0),
    Detector(tag="sheet.reel", section="reel", position_m=210.0),
)

ELLERHOLM = Settings(roles=ROLES, detectors=DETECTORS)
"""Four detectors: at 600 m/min (10 m/s) the torn end runs 10 s, 6 s and 2 s from one to the next."""


def ms(clock: str) -> int:
    """The instant of a clock time ``hh:mm:ss[.fff]`` on the first day. [ms]"""
    hours, minutes, seconds = clock.split(":")
    return START_MS + int(hours) * 3_600_000 + int(minutes) * 60_000 + round(float(seconds) * 1000)


@dataclass(slots=True)
class Stream:
    """A hand-made stream. ``sheet_press=False`` is the tag ``sheet.press``: the first underscore is the point."""

    made: list[Scan] = field(default_factory=list)

    def at(
        self, clock: str, *, source: int = 0, heard: str | None = None, initial: bool = False, **values: Value
    ) -> Stream:
        """Add one scan, received at its own time if nothing else is said."""
        at = ms(clock)
        tags = {name.replace("_", ".", 1): value for name, value in values.items()}
        received = at if heard is None else ms(heard)
        scan = Scan(machine="pm2", at_ms=at, values=tags, source=source, heard_ms=received, initial=initial)
        self.made.append(scan)
        return self

    def beats(self, start: str, until: str, *, every_ms: int = 1_000, source: int = 0) -> Stream:
        """Add heartbeats, scans without a value, at both ends and between them."""
        for at in range(ms(start), ms(until) + 1, every_ms):
            self.made.append(Scan(machine="pm2", at_ms=at, values={}, source=source, heard_ms=at))
        return self

    @property
    def scans(self) -> list[Scan]:
        """All scans in the order of their arrival."""
        return sorted(self.made, key=lambda scan: scan.heard_ms)

    def on_reel(self, clock: str = "00:00:00") -> Stream:
        """The machine as it runs: C80 at 600 m/min, the sheet on the reel."""
        return self.at(
            clock,
            reel_speed=600.0,
            headbox_stock_on=True,
            crew_sheet_off=False,
            order_grade="C80",
            order_shade="white",
            reel_number="1041",
            scanner_basis_weight=80.0,
            sheet_press=True,
            sheet_predryer=True,
            sheet_afterdryer=True,
            sheet_reel=True,
        )

    def torn_at_press(self, minute: str) -> Stream:
        """The sheet tears before the press detector: the torn end passes the others after 10, 16 and 18 s."""
        self.at(f"{minute}:00", sheet_press=False).at(f"{minute}:10", sheet_predryer=False)
        return self.at(f"{minute}:16", sheet_afterdryer=False).at(f"{minute}:18", sheet_reel=False)

    def threaded(self, minute: str) -> Stream:
        """The tail gets to the detectors at 0, 20, 30 and 40 s of the minute."""
        self.at(f"{minute}:00", sheet_press=True).at(f"{minute}:20", sheet_predryer=True)
        return self.at(f"{minute}:30", sheet_afterdryer=True).at(f"{minute}:40", sheet_reel=True)


# ---------------------------------------------------------------- random histories

STEP_MS = 500
"""Everything in a random history happens on this grid, so that windows are often met exactly at their ends."""

NAMES = ("press", "predryer", "sizepress", "afterdryer", "reel")


@dataclass(slots=True)
class World:
    """What is true on the machine, as changes of its tags; ``now`` is where the next episode begins. [ms]"""

    settings: Settings
    changes: dict[str, dict[int, Value]]
    now: int = START_MS
    speed: float = 600.0
    seen: list[bool] = field(default_factory=list)
    reels: int = 1041

    def put(self, tag: str, at: int, value: Value) -> None:
        """A tag takes a value."""
        self.changes.setdefault(tag, {})[at] = value

    def see(self, index: int, at: int, value: bool) -> None:
        """A detector sees the sheet, or does not."""
        self.seen[index] = value
        self.put(self.settings.detectors[index].tag, at, value)

    def transport(self, upstream: int, downstream: int) -> int:
        """Time of the torn end between two detectors, on the grid. [ms]"""
        positions = [detector.position_m for detector in self.settings.detectors]
        distance = positions[downstream] - positions[upstream]
        return STEP_MS * round(distance * 60_000 / max(self.speed, 60.0) / STEP_MS)


@st.composite
def delays(draw: st.DrawFn, least_s: float, most_s: float) -> int:
    """A time on the grid. [ms]"""
    return STEP_MS * draw(st.integers(int(least_s * 2), int(most_s * 2)))


@st.composite
def machines(draw: st.DrawFn) -> Settings:
    """A machine of two to five detectors, some of its settings unusual, some roles not given."""
    count = draw(st.integers(2, 5))
    positions = sorted(draw(st.lists(st.integers(2, 40), min_size=count, max_size=count, unique=True)))
    detectors = tuple(
        Detector(tag=f"sheet.{name}", section=name, position_m=5.0 * position)
        for name, position in zip(NAMES[-count:], positions, strict=True)
    )
    roles = {"speed": ROLES["speed"]}
    for role in ("stock_on", "planned", "grade", "shade", "reel", "basis_weight"):
        if draw(st.integers(0, 5)):
            roles[role] = ROLES[role]
    if draw(st.integers(0, 3)) == 0:
        roles["full_width"] = "reel.full_width"
    if draw(st.booleans()):
        roles["reel_witness"] = draw(st.sampled_from(["scanner.basis_weight", "reel.grammage"]))
    return Settings(
        roles=roles,
        detectors=detectors,
        debounce_ms=draw(st.sampled_from([2_000, 2_000, 1_000, 0])),
        reorder_ms=draw(st.sampled_from([1_000, 1_000, 5_000, 0])),
        attempt_pause_ms=draw(st.sampled_from([300_000, 40_000, 20_000])),
        on_reel_confirm_ms=draw(st.sampled_from([30_000, 10_000])),
        stale_after_ms=draw(st.sampled_from([60_000, 60_000, 20_000, 0])),
        blind_margin_ms=draw(st.sampled_from([5_000, 1_000])),
        heartbeats=draw(
            st.sampled_from(
                [{}, {}, {1: 30_000}, {1: 5_000}, {0: 10_000}, {0: 2_500, 1: 60_000}, {0: 15_000, 1: 4_000}]
            )
        ),
    )


def begin(settings: Settings, *, threaded: bool) -> World:
    """The machine at the first moment."""
    world = World(settings=settings, changes={}, seen=[threaded] * len(settings.detectors))
    first: dict[str, Value] = {
        "reel.speed": 600.0,
        "headbox.stock_on": True,
        "crew.sheet_off": False,
        "order.grade": "C80",
        "order.shade": "white",
        "reel.number": "1041",
        "scanner.basis_weight": 80.0,
        "reel.full_width": True,
        "reel.grammage": 80.0,
    }
    for tag in set(settings.roles.values()):
        world.put(tag, START_MS, first[tag])
    for index in range(len(settings.detectors)):
        world.see(index, START_MS, threaded)
    return world


def tear(draw: st.DrawFn, world: World) -> None:
    """The sheet tears somewhere; the torn end runs out, and mostly the crew knocks it off upstream.

    Sometimes a detector downstream lets go as late as the window for it allows, or just after that.
    """
    torn, count = draw(st.integers(0, len(world.seen) - 1)), len(world.seen)
    at = world.now
    window_ms = world.settings.blind_margin_ms + world.settings.debounce_ms
    ends = (world.settings.blind_margin_ms, window_ms, window_ms + STEP_MS)
    for index in range(torn, count):
        if world.seen[index]:
            slack = draw(st.sampled_from([0, 0, 0, 0, 0, 0, *ends])) if index > torn else 0
            world.see(index, at + world.transport(torn, index) + slack, False)
    world.now = at + world.transport(torn, count - 1) + STEP_MS
    if draw(st.booleans()):
        kept = draw(st.integers(0, torn))
        for index in range(kept, torn):
            world.see(index, world.now + draw(delays(0, 8)), False)
        world.now += 10_000
    if witness := world.settings.roles.get("reel_witness"):
        world.put(witness, at + world.transport(torn, count - 1) + draw(delays(0, 10)), 0.0)


def thread(draw: st.DrawFn, world: World) -> None:
    """The tail is led on, detector by detector, and sometimes lost on the way or just after it got to the reel."""
    count = len(world.seen)
    reach = draw(st.sampled_from([count, count, count, count // 2, count - 1]))
    for index in range(reach):
        if not world.seen[index]:
            world.see(index, world.now, True)
            world.now += draw(delays(0.5, 25))
    whole = all(world.seen)
    if "full_width" in world.settings.roles and whole and draw(st.booleans()):
        world.put("reel.full_width", world.now - STEP_MS, False)
        world.now += draw(delays(1, 40))
        world.put("reel.full_width", world.now, True)
    if whole and (witness := world.settings.roles.get("reel_witness")):
        world.put(witness, world.now + draw(delays(0, 10)), 80.0)
    if whole:
        world.now += STEP_MS * draw(st.sampled_from([18, 20, 22, 58, 59, 60, 61, 64, 70, 90]))
    else:
        fall_back(draw, world)


def fall_back(draw: st.DrawFn, world: World) -> None:
    """A tail that did not get through stands for a while, or is lost back to some detector."""
    world.now += draw(delays(0, 45))
    if draw(st.booleans()):
        for index in range(draw(st.integers(0, len(world.seen) - 1)), len(world.seen)):
            if world.seen[index]:
                world.see(index, world.now, False)
        world.now += draw(delays(2, 20))


def stop(draw: st.DrawFn, world: World) -> None:
    """The machine slows down, in steps, to a sag, a crawl or a stand; it may keep its sheet, and runs up again."""
    for speed in draw(st.sampled_from([(486.0,), (480.0,), (474.0,), (400.0, 200.0, 40.0), (0.0,), (30.0,)])):
        world.put("reel.speed", world.now, speed)
        world.now += draw(delays(0.5, 8))
    if draw(st.booleans()):
        for index in range(len(world.seen)):
            world.see(index, world.now + draw(delays(0, 5)), False)
        world.now += 6_000
    if "stock_on" in world.settings.roles and draw(st.booleans()):
        world.put("headbox.stock_on", world.now, False)
    world.now += draw(delays(1, 90))
    if "stock_on" in world.settings.roles:
        world.put("headbox.stock_on", world.now, True)
    world.speed = draw(st.sampled_from([600.0, 780.0]))
    world.put("reel.speed", world.now, world.speed)
    world.now += draw(delays(0, 40))


def stock_off(draw: st.DrawFn, world: World) -> None:
    """Stock goes off and comes back."""
    if "stock_on" in world.settings.roles:
        world.put("headbox.stock_on", world.now, False)
        world.now += draw(delays(0.5, 20))
        world.put("headbox.stock_on", world.now, True)


def plan(draw: st.DrawFn, world: World) -> None:
    """The crew says that the sheet will be taken off; the signal may be forgotten and stay true."""
    if "planned" in world.settings.roles:
        world.put("crew.sheet_off", world.now, True)
        if draw(st.booleans()):
            world.put("crew.sheet_off", world.now + draw(delays(1, 30)), False)
        world.now += draw(delays(0, 20))


def order(draw: st.DrawFn, world: World) -> None:
    """A turn-up, or a change of grade, shade or basis weight."""
    choices: dict[str, list[Value]] = {
        "grade": ["C80", "C70"],
        "shade": ["white", "cream"],
        "basis_weight": [80.0, 70.0],
        "reel": [str(world.reels + 1)],
    }
    role = draw(st.sampled_from(sorted(choices)))
    world.reels += role == "reel"
    if role in world.settings.roles:
        world.put(ROLES[role], world.now, draw(st.sampled_from(choices[role])))
    world.now += draw(delays(0, 30))


def rest(draw: st.DrawFn, world: World) -> None:
    """Nothing happens."""
    world.now += draw(delays(0, 60))


WITH_SHEET = (tear, tear, tear, tear, stop, stock_off, plan, plan, order, order, order, rest)
WITHOUT_SHEET = (thread, thread, thread, thread, thread, stop, stock_off, plan, order, rest)


def disturb(draw: st.DrawFn, world: World) -> None:
    """Lay faults over what is true: dirty eyes, flicker, and values that the source does not know."""
    tags = sorted(world.changes)
    for _ in range(draw(st.integers(0, 4))):
        tag = draw(st.sampled_from([detector.tag for detector in world.settings.detectors]))
        start = START_MS + draw(delays(0, (world.now - START_MS) / 1000))
        value = draw(st.sampled_from([False, False, True]))
        override(world.changes[tag], start, start + draw(st.one_of(delays(0.5, 4), delays(0.5, 120))), value)
    for _ in range(draw(st.integers(0, 2))):
        tag = draw(st.sampled_from(tags))
        start = START_MS + draw(delays(0, (world.now - START_MS) / 1000))
        override(world.changes[tag], start, start + draw(delays(0.5, 90)), draw(st.sampled_from([None, None, "bad"])))


def hear_later(draw: st.DrawFn, world: World) -> None:
    """Some tags say nothing at first."""
    for tag in draw(st.lists(st.sampled_from(sorted(world.changes)), max_size=2, unique=True)):
        first = world.changes[tag].pop(START_MS)
        world.changes[tag].setdefault(START_MS + draw(delays(0, 60)), first)


def retained(draw: st.DrawFn, world: World) -> list[Scan]:
    """What a broker had kept, without a time of its own: some of it true, some of it old."""
    tags = draw(st.lists(st.sampled_from(sorted(world.changes)), max_size=4, unique=True))
    scans = []
    for tag in tags:
        changes = world.changes[tag]
        value = changes[draw(st.sampled_from(sorted(changes)))]
        scans.append(
            Scan(machine="pm2", at_ms=START_MS, values={tag: value}, source=0, heard_ms=START_MS, initial=True)
        )
    return scans


def override(changes: dict[int, Value], start: int, until: int, value: Value) -> None:
    """In [start, until) a tag has this value whatever is true; after that what is true holds again."""
    behind = [at for at in changes if at <= until]
    after = changes[max(behind)] if behind else value
    for at in [at for at in changes if start <= at < until]:
        del changes[at]
    changes[start] = value
    changes[until] = after


def value_at(changes: dict[int, Value], times: list[int], at: int) -> Value:
    """What a tag shows at a moment."""
    return changes[[time for time in times if time <= at][-1]]


@st.composite
def histories(draw: st.DrawFn) -> tuple[Settings, list[Scan]]:
    """A machine and its scans in order of arrival, the last minutes of them quiet.

    The quiet end lets a tracker decide everything that happened before it.
    """
    settings = draw(machines())
    world = begin(settings, threaded=draw(st.integers(0, 3)) > 0)
    world.now += draw(delays(0, 40))
    for _ in range(draw(st.integers(2, 14))):
        episode = draw(st.sampled_from(WITH_SHEET if all(world.seen) else WITHOUT_SHEET))
        episode(draw, world)
    disturb(draw, world)
    if draw(st.integers(0, 3)) == 0:
        hear_later(draw, world)
    kept = retained(draw, world) if draw(st.integers(0, 3)) == 0 else []
    end = max([world.now, *(at for changes in world.changes.values() for at in changes)]) + STEP_MS
    scans = draw(st.sampled_from([sampled, by_exception]))(draw, world, end)
    scans = with_gaps(draw, world, scans)
    scans = with_mixed_arrival(draw, scans)
    return settings, [*kept, *scans, *quiet_end(world, end)]


def sampled(draw: st.DrawFn, world: World, end: int) -> list[Scan]:
    """All tags in every scan."""
    every = draw(st.sampled_from([STEP_MS, 1_000, 1_000, 5_000]))
    tables = {tag: sorted(changes) for tag, changes in world.changes.items()}
    scans = []
    for at in range(START_MS, end, every):
        values = {
            tag: value_at(world.changes[tag], times, at) for tag, times in tables.items() if times and times[0] <= at
        }
        scans.append(Scan(machine="pm2", at_ms=at, values=values, source=0, heard_ms=at))
    return scans


def by_exception(draw: st.DrawFn, world: World, end: int) -> list[Scan]:
    """Each change of a tag in a message of its own, speed and detectors from two sources, and heartbeats."""
    split = draw(st.booleans())
    scans = []
    for tag, changes in sorted(world.changes.items()):
        source = int(split and tag.startswith("sheet."))
        scans += [
            Scan(machine="pm2", at_ms=at, values={tag: changes[at]}, source=source, heard_ms=at) for at in changes
        ]
    every = draw(st.sampled_from([1_000, 3_000, 10_000]))
    alive = (0, 1) if split and draw(st.booleans()) else (0,)
    beats = [
        Scan(machine="pm2", at_ms=at, values={}, source=source, heard_ms=at)
        for source in alive
        for at in range(START_MS, end, every)
    ]
    return sorted(scans + beats, key=lambda scan: scan.at_ms)


def with_gaps(draw: st.DrawFn, world: World, scans: list[Scan]) -> list[Scan]:
    """Take out stretches of all sources or of one, short or long, that begin or end near something that happened."""
    happenings = sorted({at for changes in world.changes.values() for at in changes})
    for _ in range(draw(st.sampled_from([0, 0, 1, 1, 2]))):
        near = draw(st.sampled_from(happenings)) + draw(delays(-20, 20))
        length = draw(delays(5, 120))
        start = near - length if draw(st.booleans()) else near
        dead = draw(st.sampled_from([(0, 1), (0, 1), (0,), (1,)]))
        scans = [
            scan for scan in scans if scan.source not in dead or not max(start, START_MS) < scan.at_ms < start + length
        ]
    return scans


def with_mixed_arrival(draw: st.DrawFn, scans: list[Scan]) -> list[Scan]:
    """Let some scans arrive later than others, a few of them too late."""
    if not draw(st.booleans()):
        return scans
    delayed = draw(st.lists(st.integers(0, max(len(scans) - 1, 0)), max_size=12, unique=True)) if scans else []
    moved = list(scans)
    for index in delayed:
        wait = draw(st.sampled_from([500, 1_000, 1_500, 4_000, 9_000]))
        moved[index] = replace(moved[index], heard_ms=moved[index].heard_ms + wait)
    return sorted(moved, key=lambda scan: scan.heard_ms)


def quiet_end(world: World, end: int) -> Iterator[Scan]:
    """Every tag known once more, then only heartbeats for ten minutes."""
    known: dict[str, Value] = {}
    for tag, changes in world.changes.items():
        good = [changes[at] for at in sorted(changes) if changes[at] not in (None, "bad")]
        known[tag] = good[-1] if good else True
    begins = end + 10_000
    for at in range(begins, begins + 600_001, 5_000):
        yield Scan(machine="pm2", at_ms=at, values=known if at == begins else {}, source=0, heard_ms=at)


def batches(scans: list[Scan], cuts: list[int]) -> list[list[Scan]]:
    """The scans cut into batches before the given indices."""
    edges = sorted({0, len(scans), *(cut % (len(scans) + 1) for cut in cuts)})
    return [scans[a:b] for a, b in pairwise(edges)]
