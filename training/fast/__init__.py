"""Training of the small two-step tissue model that runs on a CPU within the time a photo takes to decode."""

WINDOW_MM_PER_PX = 0.2  # of the windows that are learned from
