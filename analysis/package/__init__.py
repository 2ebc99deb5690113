"""A data package to hand over: views with their dictionary, described by an open standard, names replaced on wish."""
