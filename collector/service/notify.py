"""Tells systemd how the service is (sd_notify(3)): a datagram to the socket that it names in the environment."""

from __future__ import annotations

import os
import socket


def notify(state: str) -> bool:
    """Send a state, such as ``READY=1``; whether somebody wanted to know. Never fails: it is not worth a run."""
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address:
        return False
    if address.startswith("@"):
        address = "\0" + address[1:]
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sender:
            sender.connect(address)
            sender.sendall(state.encode())
    except OSError:
        return False
    return True
