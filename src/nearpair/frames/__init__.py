"""Frames as the camera wrote them: files, metadata, colour profiles. Originals are only ever read."""
