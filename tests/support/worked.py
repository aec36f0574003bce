"""Anaglyphs of one pixel by the published least-squares matrices, worked out apart from this project."""

WHITE, BLACK, GREY = (255, 255, 255), (0, 0, 0), (128, 128, 128)
RED, GREEN, BLUE = (255, 0, 0), (0, 255, 0), (0, 0, 255)
MIXED = ((200, 100, 50), (190, 110, 60))

# Computed from the published rounded matrices (Dubois' notes of 2009, seen in two public constant tables)
# and the curve of IEC 61966-2-1:1999
WORKED = [
    ("red-cyan", WHITE, WHITE, (255, 255, 255)),
    ("red-cyan", GREY, GREY, (128, 128, 128)),
    ("red-cyan", WHITE, BLACK, (255, 0, 0)),
    ("red-cyan", BLACK, WHITE, (0, 255, 255)),
    ("red-cyan", RED, RED, (175, 152, 0)),
    ("red-cyan", GREEN, GREEN, (173, 218, 0)),
    ("red-cyan", BLUE, BLUE, (110, 0, 255)),
    ("red-cyan", *MIXED, (150, 142, 0)),
    ("green-magenta", RED, RED, (182, 141, 0)),
    ("green-magenta", GREEN, GREEN, (195, 211, 62)),
    ("green-magenta", BLUE, BLUE, (0, 79, 250)),
    ("green-magenta", WHITE, BLACK, (0, 255, 0)),
    ("green-magenta", BLACK, WHITE, (255, 0, 255)),
    ("green-magenta", *MIXED, (155, 134, 61)),
    ("amber-blue", RED, RED, (255, 0, 67)),
    ("amber-blue", GREEN, GREEN, (0, 252, 29)),
    ("amber-blue", BLUE, BLUE, (145, 64, 247)),
    ("amber-blue", WHITE, BLACK, (255, 249, 0)),
    ("amber-blue", BLACK, WHITE, (0, 64, 255)),
    ("amber-blue", *MIXED, (199, 95, 77)),
]
