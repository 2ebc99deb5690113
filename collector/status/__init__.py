"""What the collector is doing: asked of the published store and of what it says over MQTT. Changes neither."""

from collector.status.heard import Heard, listen
from collector.status.judge import Status, judge
from collector.status.stored import Stored, look
from collector.status.telling import as_json, as_text

__all__ = ["Heard", "Status", "Stored", "as_json", "as_text", "judge", "listen", "look"]
