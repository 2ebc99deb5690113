"""The page's own secret, and what it signs: visits and forms. Everything is compared in constant time."""

from __future__ import annotations

import hashlib
import hmac
import os
import secrets
from pathlib import Path

from analysis.page.kept import write_whole

_BYTES = 32


class Keys:
    """Signs short texts, so that the page knows its own again."""

    def __init__(self, secret: bytes) -> None:
        """``secret`` is nobody else's."""
        self._secret = secret

    def sign(self, purpose: str, text: str) -> str:
        """The signature of a text; one for one purpose is none for another."""
        message = f"{purpose}\0{text}".encode()
        return hmac.new(self._secret, message, hashlib.sha256).hexdigest()

    def holds(self, purpose: str, text: str, signature: str) -> bool:
        """Whether a signature is ours."""
        return hmac.compare_digest(self.sign(purpose, text).encode(), signature.encode())

    def signed(self, purpose: str, text: str) -> str:
        """A text and its signature as one word for a cookie; ``text`` must be plain enough for one."""
        return f"{text}.{self.sign(purpose, text)}"

    def opened(self, purpose: str, word: str) -> str | None:
        """The text of a signed word; None if we did not sign it."""
        text, _, signature = word.rpartition(".")
        return text if text and self.holds(purpose, text, signature) else None


def keys_in(folder: Path) -> Keys:
    """The keys of a folder, made at the first start: visits outlast a restart of the page."""
    file = folder / "secret"
    try:
        secret = file.read_bytes()
    except FileNotFoundError:
        secret = b""
    if len(secret) < _BYTES:
        secret = secrets.token_bytes(_BYTES)
        write_whole(file, secret)
        os.chmod(file, 0o600)
    return Keys(secret)
