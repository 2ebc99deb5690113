#!/bin/sh
# Every check, fast to slow, as CI runs them: format, lint, types, imports, known vulnerabilities of what is locked, tests,
# and the built wheel. Arguments are handed to pytest.
set -eu
cd "$(dirname "$0")/.."

ruff format --check --quiet .
ruff check --quiet .
mypy
lint-imports
# 3: nobody could be asked, which it says. A known vulnerability ends the checks here.
python -m tests.audit || [ $? -eq 3 ]
# As many at once as there are processors, four at most: tests start brokers and browsers of their own.
pytest --numprocesses auto --maxprocesses 4 --dist worksteal "$@"
