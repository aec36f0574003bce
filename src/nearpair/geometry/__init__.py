"""Pure geometry: plane transforms, robust fits and rectangles."""
