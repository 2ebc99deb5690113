"""What the live benchmarks are built from: a publisher, a collector and a bare subscriber, each its own process."""
