#!/bin/sh
# Every check, fast to slow, as CI runs them: format, lint, types, imports, tests, and the built wheel.
# Arguments are handed to pytest.
set -eu
cd "$(dirname "$0")/.."

ruff format --check --quiet .
ruff check --quiet .
mypy
lint-imports
pytest "$@"
