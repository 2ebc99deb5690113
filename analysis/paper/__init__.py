"""What the paper on the reel was: how it was judged, and when after a downtime it was good again."""
