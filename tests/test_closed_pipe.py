"""Every command that prints into a pipe that nobody reads ends alike: by SIGPIPE, without a word."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from pathlib import Path

from breakhorn import COMMANDS

PRINTING: dict[str, list[list[str]]] = {
    "check": [[], ["--json"]],
    "status": [[], ["--json"]],
    "query": [["FROM downtime"], ["FROM range(100000)", "--format", "csv"], ["--questions"]],
    "dictionary": [[], ["--json"], ["--markdown"]],
    "fleet": [["--questions"]],
    "efficiency": [[], ["--json"]],
}
"""What is asked of some, so that everything that prints comes into it; all others are asked for their help."""
# One process that has everything imported, and a fork a command: starting each anew would take half a minute.
CODE = """
import json, os, signal, sys
import breakhorn
for place, _ in breakhorn.COMMANDS.values():
    __import__(place.partition(":")[0])
ends = []
for arguments in json.loads(sys.argv[1]):
    ours, theirs = os.pipe()
    os.close(ours)
    child = os.fork()
    if child == 0:
        os.dup2(theirs, 1)
        breakhorn.main(arguments)
        os._exit(0)
    os.close(theirs)
    ends.append(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]))
print(json.dumps(ends))
"""


def test_who_closes_the_pipe_ends_any_command_without_a_word(night_mill: Path) -> None:
    asked = [["--mill", str(night_mill), name, *more] for name in COMMANDS for more in PRINTING.get(name, [["--help"]])]

    command = [sys.executable, "-W", "ignore", "-c", CODE, json.dumps([["--help"], ["--version"], *asked])]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=True)

    ends = dict(zip(map(" ".join, [["--help"], ["--version"], *asked]), json.loads(done.stdout), strict=True))
    assert {asked: end for asked, end in ends.items() if end != -signal.SIGPIPE} == {}
    assert [line for line in done.stderr.splitlines() if "pipe" in line.lower() or "Traceback" in line] == []
