"""Pure optics: lens, stereo base and viewing geometry, each formula with its source."""
