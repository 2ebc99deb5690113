"""One view over all mills: the views of the published store, with the mill beside them, over the lake."""
