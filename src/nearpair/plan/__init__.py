"""Planning a shoot: stereo base, focus steps and readings before the first frame, and sheets to shoot by."""
