"""The demo mill: an invented paper machine that makes streams to replay. Neither collector nor analysis knows it."""
