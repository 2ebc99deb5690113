"""The statistics of a repairable machine: every figure is a pure function of counts, times and exposures."""
