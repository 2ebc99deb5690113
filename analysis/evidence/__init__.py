"""What precedes breaks: windows before each loss, held against matched quiet runs of the same machine."""
