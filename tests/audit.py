"""Asks whether any locked library has a known vulnerability, and never takes silence for an answer.

    python -m tests.audit

pip-audit asks the package index; it lives in an environment of its own, from requirements/audit.txt. Exit 0: all were
looked up, none is known to be vulnerable. 1: some are. 3: not all could be looked up, as on a computer without a
network: nothing is known then. (pip-audit alone ends with 0 when it could look up nothing.)
"""

from __future__ import annotations

import json
import subprocess
import sys
import venv
from dataclasses import dataclass
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parent.parent
LOCK = ROOT / "requirements" / "run.txt"
TOOL = ROOT / "requirements" / "audit.txt"
HOME = ROOT / ".venv" / "audit"
CLEAN, VULNERABLE, UNKNOWN = 0, 1, 3


@dataclass(frozen=True, slots=True)
class Verdict:
    """What is to be said, and the exit code."""

    code: int
    lines: tuple[str, ...]


def judge(report: dict[str, Any]) -> Verdict:
    """The verdict on a report of pip-audit (its format json)."""
    libraries = report["dependencies"]
    skipped = [one for one in libraries if "skip_reason" in one]
    found = [_told(one, fault) for one in libraries for fault in one.get("vulns", [])]
    if found:
        return Verdict(VULNERABLE, (*found, f"{len(found)} known vulnerabilities: raise the version and lock anew"))
    if skipped or not libraries:
        reason = skipped[0]["skip_reason"] if skipped else "the report is empty"
        return Verdict(UNKNOWN, (not_audited(f"{len(skipped)} of {len(libraries)} libraries: {reason}"),))
    return Verdict(CLEAN, (f"{len(libraries)} libraries looked up: no vulnerability is known",))


def _told(library: dict[str, Any], fault: dict[str, Any]) -> str:
    mended = ", ".join(fault["fix_versions"]) or "no version yet"
    return f"{library['name']} {library['version']}: {fault['id']}, mended in {mended}"


def not_audited(why: str) -> str:
    """That nothing is known, and why."""
    return f"NOT AUDITED ({why}): run python -m tests.audit where the package index answers"


def tool() -> Path:
    """pip-audit in its own environment, set up if it is not there. Raises OSError or SubprocessError."""
    program = HOME / "bin" / "pip-audit"
    if not program.exists():
        venv.create(HOME, with_pip=True)
        command = [str(HOME / "bin" / "python"), "-m", "pip", "install", "--quiet", "--require-hashes", "-r", str(TOOL)]
        subprocess.run(command, check=True, timeout=300, capture_output=True)
    return program


def audit() -> Verdict:
    """Ask about every library of the lock."""
    try:
        command = [str(tool()), "--disable-pip", "--require-hashes", "--requirement", str(LOCK), "--format", "json"]
        done = subprocess.run(
            [*command, "--progress-spinner", "off", "--timeout", "15"],
            capture_output=True,
            text=True,
            timeout=300,
            check=False,
        )
        return judge(json.loads(done.stdout))
    except (OSError, subprocess.SubprocessError) as error:
        return Verdict(UNKNOWN, (not_audited(f"pip-audit could not be set up or run: {type(error).__name__}"),))
    except ValueError:
        last = done.stderr.strip().splitlines()[-1:] or ["no reason given"]
        return Verdict(UNKNOWN, (not_audited(f"pip-audit could not ask: {last[0][:200]}"),))


def main() -> None:
    """Say the verdict, on stderr unless all is well."""
    verdict = audit()
    print("\n".join(verdict.lines), file=sys.stdout if verdict.code == CLEAN else sys.stderr)
    sys.exit(verdict.code)


if __name__ == "__main__":
    main()
