"""Eighty-four hours of PM 2 written by hand, so few that every question of the cookbook can be answered with a pencil.

All times are the mill's (UTC+2). From Monday 2026-03-02 06:00 to Thursday 18:00; C80 at 12 t/h until Wednesday 06:00,
then C60 at 10 t/h; the sheet is on the reel 45 and 34 hours of it, 79 in all.
"""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

from tests.analysis_store import Break, HandMadeStore, at

FIRST, LAST = "2026-03-02 06:00", "2026-03-05 18:00"
CHANGED = "2026-03-04 06:00"
"""From C80 to C60."""

RUNS = (
    ("2026-03-02 06:00", "2026-03-02 16:10"),  # 10 h 10
    ("2026-03-02 16:40", "2026-03-02 17:00"),  #      20
    ("2026-03-02 17:10", "2026-03-03 02:00"),  #  8 h 50
    ("2026-03-03 03:00", "2026-03-03 10:00"),  #  7 h
    ("2026-03-03 10:20", "2026-03-03 13:00"),  #  2 h 40
    ("2026-03-03 13:10", "2026-03-03 22:00"),  #  8 h 50
    ("2026-03-03 22:20", "2026-03-04 05:30"),  #  7 h 10: with those above 45 h of C80
    ("2026-03-04 06:30", "2026-03-04 06:50"),  #      20
    ("2026-03-04 07:05", "2026-03-04 20:05"),  # 13 h
    ("2026-03-04 20:20", "2026-03-05 03:00"),  #  6 h 40
    ("2026-03-05 03:30", "2026-03-05 17:30"),  # 14 h:    with the three above 34 h of C60
)
REELS = (
    ("R1", "2026-03-02 06:00"),
    ("R2", "2026-03-02 16:00"),
    ("R3", "2026-03-03 04:00"),
    ("R4", "2026-03-03 16:00"),
    ("R5", "2026-03-04 06:00"),
    ("R6", "2026-03-04 20:00"),
    ("R7", "2026-03-05 08:00"),
)
STATES = (
    ("2026-03-02 06:00", "on_reel"),
    ("2026-03-02 16:10", "down"), ("2026-03-02 16:30", "threading"), ("2026-03-02 16:40", "on_reel"),
    ("2026-03-02 17:00", "down"), ("2026-03-02 17:05", "threading"), ("2026-03-02 17:10", "on_reel"),
    ("2026-03-03 02:00", "down"), ("2026-03-03 02:20", "threading"), ("2026-03-03 02:25", "down"),
    ("2026-03-03 02:40", "threading"), ("2026-03-03 02:45", "down"), ("2026-03-03 02:50", "threading"),
    ("2026-03-03 03:00", "on_reel"),
    ("2026-03-03 10:00", "stopped"), ("2026-03-03 10:10", "threading"), ("2026-03-03 10:20", "on_reel"),
    ("2026-03-03 13:00", "no_data"), ("2026-03-03 13:10", "on_reel"),
    ("2026-03-03 22:00", "down"), ("2026-03-03 22:10", "threading"), ("2026-03-03 22:20", "on_reel"),
    ("2026-03-04 05:30", "down"), ("2026-03-04 06:20", "threading"), ("2026-03-04 06:30", "on_reel"),
    ("2026-03-04 06:50", "down"), ("2026-03-04 06:55", "threading"), ("2026-03-04 07:05", "on_reel"),
    ("2026-03-04 20:05", "down"), ("2026-03-04 20:10", "threading"), ("2026-03-04 20:20", "on_reel"),
    ("2026-03-05 03:00", "down"), ("2026-03-05 03:10", "threading"), ("2026-03-05 03:15", "down"),
    ("2026-03-05 03:20", "threading"), ("2026-03-05 03:30", "on_reel"),
    ("2026-03-05 17:30", "down"), ("2026-03-05 17:50", "threading"),
)  # fmt: skip

B1 = Break("2026-03-02 16:10", "2026-03-02 16:40", section="reel", on_reel_before_min=610)
B2 = Break("2026-03-02 17:00", "2026-03-02 17:10", on_reel_before_min=20)
B3 = Break("2026-03-03 02:00", "2026-03-03 03:00", on_reel_before_min=530)
S1 = Break("2026-03-03 10:00", "2026-03-03 10:20", section=None, kind="stop", on_reel_before_min=420)
B4 = Break("2026-03-03 22:00", "2026-03-03 22:20", on_reel_before_min=None)
P1 = Break("2026-03-04 05:30", "2026-03-04 06:30", section=None, kind="planned", on_reel_before_min=430)
B5 = Break(
    "2026-03-04 06:50", "2026-03-04 07:05", section="pre-dryer", grade="C60", rate_t_h=10.0, on_reel_before_min=20
)
B6 = Break("2026-03-04 20:05", "2026-03-04 20:20", section="reel", grade="C60", rate_t_h=10.0, on_reel_before_min=780)
B7 = Break("2026-03-05 03:00", "2026-03-05 03:30", grade="C60", rate_t_h=10.0, on_reel_before_min=400)
B8 = Break("2026-03-05 17:30", None, section="couch", grade="C60", rate_t_h=10.0, on_reel_before_min=840)
LOSSES = (B1, B2, B3, S1, B4, P1, B5, B6, B7, B8)

# Loss, start, end, reached section, outcome: one line an attempt.
ATTEMPTS = (
    (B1, "2026-03-02 16:30", "2026-03-02 16:40", "reel", "success"),
    (B2, "2026-03-02 17:05", "2026-03-02 17:10", "reel", "success"),
    (B3, "2026-03-03 02:20", "2026-03-03 02:25", "press", "failed"),
    (B3, "2026-03-03 02:40", "2026-03-03 02:45", "pre-dryer", "held"),
    (B3, "2026-03-03 02:50", "2026-03-03 03:00", "reel", "success"),
    (S1, "2026-03-03 10:10", "2026-03-03 10:20", "reel", "success"),
    (B4, "2026-03-03 22:10", "2026-03-03 22:20", "reel", "success"),
    (P1, "2026-03-04 06:20", "2026-03-04 06:30", "reel", "success"),
    (B5, "2026-03-04 06:55", "2026-03-04 07:05", "reel", "success"),
    (B6, "2026-03-04 20:10", "2026-03-04 20:20", "reel", "success"),
    (B7, "2026-03-05 03:10", "2026-03-05 03:15", "press", "failed"),
    (B7, "2026-03-05 03:20", "2026-03-05 03:30", "reel", "success"),
    (B8, "2026-03-05 17:50", None, None, None),
)
NOTES = (
    (B1, "RE-TUP", "2026-03-02 16:45"),
    (B3, "PR-FLT", "2026-03-03 03:20"),
    (B4, "SA-BRK", "2026-03-03 23:00"),
    (B6, "RE-TUP", "2026-03-04 20:35"),
)
SINCE_TURN_UP_MIN = {B1: 10, B2: 60, B3: 600, B4: 360, B5: 50, B6: 5, B7: 420, B8: 570}
SINCE_CHANGE_MIN = {B5: 50, B6: 845, B7: 1260, B8: 2130}


def cookbook_mill(folder: Path) -> Path:
    """Write the store; gives the mill.toml to read it by."""
    store = HandMadeStore(folder)
    _mill(store)
    _course(store)
    _losses(store)
    _samples(store)
    _collector(store)
    return store.close(published="2026-03-05 18:00", data_to=LAST)


def _mill(store: HandMadeStore) -> None:
    store.machine(FIRST, LAST)
    store.connection.execute("UPDATE base.machine SET settled_s = 300, reel_moisture_pct = 5")
    path = (("couch", 20.0), ("press", 32.0), ("pre-dryer", 193.0), ("reel", 275.0))
    for number, (section, position) in enumerate(path, start=1):
        tag = f"sheet.{section.replace('-', '')}"
        store.insert("sheet_detector", machine="pm2", number=number, tag=tag, section=section, position_m=position)
    for role, tag in (("reel", "reel.number"), ("basis_weight", "scanner.weight"), ("moisture", "scanner.moisture")):
        store.insert("signal", machine="pm2", role=role, tag=tag)
    limits = {"moisture_low_pct": 4.0, "moisture_high_pct": 6.0, "basis_weight_within_pct": 2.0}
    store.insert("grade", grade="C80", basis_weight_g_m2=80, target_speed_m_min=785, plan_t_d=290, **limits)
    store.insert("grade", grade="C60", basis_weight_g_m2=60, target_speed_m_min=910, plan_t_d=240, **limits)
    store.insert("cause", code="RE-TUP", section="reel", name="Turn-up failed")
    store.insert("cause", code="PR-FLT", section="press", name="Felt plugged")
    store.insert("cause", code="SA-BRK", section="stock", name="Broke share swung")
    store.shifts(FIRST, 7)
    for number, installed in enumerate(("2026-03-01 06:00", CHANGED)):
        store.insert(
            "clothing", receipt=number, machine="pm2", position="last press felt", installed_at=at(installed),
            received_at=at(installed),
        )  # fmt: skip


def _course(store: HandMadeStore) -> None:
    store.states(*STATES)
    store.insert("grade_run", machine="pm2", grade="C80", shade="white", started_at=at(FIRST), first_seen=True)
    store.insert("grade_run", machine="pm2", grade="C60", shade="white", started_at=at(CHANGED), first_seen=False)
    for reel, started in REELS:
        store.insert("reel", machine="pm2", reel=reel, started_at=at(started), first_seen=reel == "R1")
    hour = timedelta(hours=1)
    for began, ended in RUNS:
        from_at = at(began)
        while from_at < at(ended):
            to_at = min(from_at.replace(minute=0) + hour, at(ended))
            share_h, light = (to_at - from_at) / hour, from_at >= at(CHANGED)
            store.insert(
                "production", machine="pm2", started_at=from_at, ended_at=to_at, grade="C60" if light else "C80",
                shade="white", reel=next(r for r, s in reversed(REELS) if at(s) <= from_at),
                length_m=(910 if light else 785) * 60 * share_h, tonnes_t=(10 if light else 12) * share_h,
            )  # fmt: skip
            from_at = to_at


def _losses(store: HandMadeStore) -> None:
    store.breaks(*LOSSES)
    store.connection.execute("UPDATE base.downtime SET speed_before_m_min = if(grade = 'C60', 910, 785)")
    for lost, minutes in SINCE_TURN_UP_MIN.items():
        store.connection.execute(
            "UPDATE base.downtime SET since_turn_up_ms = ? WHERE downtime_id = ?", [minutes * 60_000, lost.downtime_id]
        )
    for lost, minutes in SINCE_CHANGE_MIN.items():
        store.connection.execute(
            "UPDATE base.downtime SET since_grade_change_ms = ? WHERE downtime_id = ?",
            [minutes * 60_000, lost.downtime_id],
        )
    for number, (lost, started, ended, reached, outcome) in enumerate(ATTEMPTS, start=1):
        store.insert(
            "threading_attempt", downtime_id=lost.downtime_id, attempt=number, machine="pm2", started_at=at(started),
            ended_at=None if ended is None else at(ended), reached_section=reached, outcome=outcome,
        )  # fmt: skip
    for lost, cause, noted in NOTES:
        store.note(lost.downtime_id, cause=cause, noted=noted)
    store.note("pm2-20990101T000000Z", cause="PR-FLT", noted="2026-03-05 08:00")
    store.note(B2.downtime_id, cause="PR-FLT", noted="2026-03-05 09:00")
    store.insert(
        "note", receipt=99, note_id="note-99", machine="pm2", kind="withdrawal", withdraws="note-6",
        noted_at=at("2026-03-05 09:10"), received_at=at("2026-03-05 09:10"),
    )  # fmt: skip


def _samples(store: HandMadeStore) -> None:
    """Draw and moisture each 10 min, stock and weight each hour, the tower each 6 h, from Monday 06:00 on.

    The draw is 2.0, and 3.0 in the half hour before the press breaks of Tuesday. The moisture is 5.0, and 7.0 at three
    returns to the reel.
    """
    draw = dict.fromkeys((f"2026-03-03 {t}" for t in ("01:30", "01:40", "01:50", "21:30", "21:40", "21:50")), 3.0)
    wet = dict.fromkeys(("2026-03-03 03:00", "2026-03-03 22:20", "2026-03-04 20:20"), 7.0)
    _tag(store, 2, "press.draw", 10, "2.0", draw, unit="%", section="press", use="process", low=0.5, high=4.0)
    _tag(store, 3, "scanner.moisture", 10, "5.0", wet)
    grade = f"if(sampled_at < TIMESTAMPTZ '{at(CHANGED)}', %s, %s)"
    rich = {"2026-03-04 22:00": 0.91}
    stock = grade % (0.7, 0.8)
    _tag(store, 4, "headbox.consistency", 60, stock, rich, unit="%", section="couch", use="process")
    _tag(store, 5, "scanner.weight", 60, grade % (80, 60), {})
    level = "list_extract([55, 40, 45, 50], 1 + hour(timezone('Europe/Helsinki', sampled_at)) // 6)"
    _tag(store, 6, "broke.tower_level", 360, level, {}, unit="%", section="couch", use="result")
    _one(store, 2, "2026-03-05 02:50", 9.0, flags=2)
    store.insert("hot_sample", tag_id=4, sampled_at=at("2026-03-03 01:30"), value=None, flags=4)


def _tag(
    store: HandMadeStore, tag_id: int, tag: str, each_min: int, value: str, special: dict[str, float], **setting: object
) -> None:
    store.insert("tag", tag_id=tag_id, machine="pm2", tag=tag, first_at=at(FIRST), last_at=at(LAST))
    if setting:
        store.insert("tag_setting", machine="pm2", tag=tag, **setting)
    store.connection.execute(
        f"INSERT INTO base.hot_sample SELECT ?, sampled_at, {value}, 0 "
        "FROM (SELECT unnest(generate_series(?::TIMESTAMPTZ, ?::TIMESTAMPTZ - INTERVAL 1 SECOND, to_minutes(?))) "
        "AS sampled_at)",
        [tag_id, at(FIRST), at(LAST), each_min],
    )
    for when, other in special.items():
        _one(store, tag_id, when, other)


def _one(store: HandMadeStore, tag_id: int, when: str, value: float, flags: int = 0) -> None:
    store.connection.execute(
        "UPDATE base.hot_sample SET value = ?, flags = ? WHERE tag_id = ? AND sampled_at = ?",
        [value, flags, tag_id, at(when)],
    )


def _collector(store: HandMadeStore) -> None:
    store.insert("collector_run", run=1, version="0.1.0", started_at=at("2026-03-02 05:00"), ended_cleanly=False)
    counts = {"machine": "pm2", "configuration_id": 1}
    store.insert("message_count", **counts, day=date(2026, 3, 2), samples=100, late=2, repeated=3, replaced=1)
    store.insert("message_count", **counts, day=date(2026, 3, 5), samples=50, out_of_range=1, bad=1)
    for topic, reason in (("a", "is no JSON"), ("b", "is no JSON"), ("c", "unknown machine 'pm9'")):
        received = at(f"2026-03-03 1{len(topic)}:00")
        store.insert("rejected_message", received_at=received, topic=topic, reason=reason, payload=b"{", size_bytes=1)
    flicker = ((date(2026, 3, 1), "reel", 5), (date(2026, 3, 2), "press", 3), (date(2026, 3, 4), "press", 4))
    for day, section, count in flicker:
        moment = at(f"{day} 12:00")
        store.insert(
            "detector_flicker", machine="pm2", tag=f"sheet.{section}", day=day, first_at=moment, last_at=moment,
            count=count,
        )  # fmt: skip
