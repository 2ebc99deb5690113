"""The words that stand where a value is missing."""

from __future__ import annotations

BAD_WORDS = (
    "", "null", "nil", "nan", "inf", "-inf", "infinity", "-infinity", "none", "na", "n/a", "n.a.", "-", "--", "?",
    "bad", "bad input", "bad quality", "no data", "no value", "missing", "invalid", "error", "timeout", "i/o timeout",
    "comm fail", "comm error", "offline", "not connected", "#n/a", "#na", "#value!", "#ref!", "#div/0!", "#num!",
    "#name?", "#null!",
)  # fmt: skip
"""What historians and spreadsheets write, in any case, for a value that they do not have. (common practice)"""
