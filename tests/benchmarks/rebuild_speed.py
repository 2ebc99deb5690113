"""What a rebuild costs, beside the tracker alone on the same scans in the same run, and whether it grows with them.

    python -m tests.benchmarks.rebuild_speed

A scan each second with all role values, a break every two hours; a day's and two days' worth, published to parts.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

from collector import sheet
from collector.message import Scan
from collector.publish import publish
from collector.rebuild import rebuild
from tests.rebuilding import LATER_MS, mill_of
from tests.sheet_adapter import rules_of
from tests.stored import load_scans, opened
from tests.streams import ELLERHOLM, START_MS

HOURS = 1 if "--quick" in sys.argv else 24


def scans(hours: int) -> list[Scan]:
    """A scan a second; the speed is never the same twice in a row, as real ones are not."""
    made = []
    for second in range(hours * 3600):
        torn = second % 7200
        seen = [not 3600 + place <= torn < 4200 + place for place in (0, 10, 16, 18)]
        values = dict(zip((detector.tag for detector in ELLERHOLM.detectors), seen, strict=True))
        speed = {"reel.speed": 600.0 + second % 7, "scanner.basis_weight": 80.0 + second % 3 / 10}
        at_ms = START_MS + second * 1000
        made.append(Scan("pm2", at_ms, {**speed, **values, "headbox.stock_on": True}, 0, at_ms))
    return made


def main() -> None:
    """Prints a line for each length."""
    mill, rules = mill_of(ELLERHOLM), rules_of(ELLERHOLM)
    for hours in (HOURS, 2 * HOURS):
        made = scans(hours)
        began_s = time.process_time()
        sheet.advance(rules, sheet.fresh(len(rules.detectors)), made)
        alone_s = time.process_time() - began_s
        with tempfile.TemporaryDirectory() as folder, opened(Path(folder), mill=mill) as store:
            load_scans(mill, store, made)
            publish(store, mill, now_ms=LATER_MS)
            began_s = time.process_time()
            done = rebuild(store, mill, "pm2", now_ms=LATER_MS)
            took_s = time.process_time() - began_s
        each_us = took_s / done.scans * 1e6
        rate, ratio = done.scans / took_s, took_s / alone_s
        print(f"{done.scans:7} scans: {each_us:5.1f} us each, {rate:7,.0f}/s, {ratio:.2f} x the tracker alone")


if __name__ == "__main__":
    main()
