"""The collector at work: commit, then acknowledge; what it holds back, counts and says."""
