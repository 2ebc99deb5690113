"""What readers open is made here: samples go to Parquet parts, all else to a small file that is put in place whole."""

from collector.publish.layout import Layout
from collector.publish.publishing import Publishing, publish

__all__ = ["Layout", "Publishing", "publish"]
