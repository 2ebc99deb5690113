"""From views to figures: read → figure → report. Never imports the collector; they meet at the store's views."""
