"""Certificates for tests, made anew each time: an authority, and what it vouches for."""

from __future__ import annotations

import subprocess
from dataclasses import dataclass
from pathlib import Path

from tests.servers import needs

_EC = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes")


@dataclass(frozen=True, slots=True)
class Authority:
    """A certificate authority in a folder."""

    folder: Path

    @classmethod
    def made(cls, folder: Path, name: str = "Ellerholm test authority") -> Authority:
        """A new one."""
        folder.mkdir(parents=True, exist_ok=True)
        _openssl(
            folder, "req", "-x509", *_EC, "-keyout", "ca.key", "-out", "ca.crt", "-days", "2", "-subj", f"/CN={name}",
            "-addext", "keyUsage=critical,keyCertSign,cRLSign",
        )  # fmt: skip
        return cls(folder)

    @property
    def certificate(self) -> Path:
        """What a client must trust."""
        return self.folder / "ca.crt"

    def vouch(self, name: str) -> tuple[Path, Path]:
        """A certificate for a server on this computer, or a client of this name, and its key."""
        folder = self.folder
        (folder / f"{name}.ext").write_text("subjectAltName=IP:127.0.0.1,DNS:localhost\n")
        _openssl(folder, "req", "-new", *_EC, "-keyout", f"{name}.key", "-out", f"{name}.csr", "-subj", f"/CN={name}")
        _openssl(
            folder, "x509", "-req", "-in", f"{name}.csr", "-CA", "ca.crt", "-CAkey", "ca.key", "-CAcreateserial",
            "-days", "2", "-out", f"{name}.crt", "-extfile", f"{name}.ext",
        )  # fmt: skip
        return folder / f"{name}.crt", folder / f"{name}.key"


def _openssl(folder: Path, *arguments: str) -> None:
    subprocess.run([needs("openssl"), *arguments], cwd=folder, check=True, capture_output=True, timeout=30)
