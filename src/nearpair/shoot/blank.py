"""The text of a new `shoot.toml`: every decision with its default, and in words what it decides."""

NEW_SHOOT = """\
# Decisions about this shoot. Edit freely: comments stay. What is left on "auto" or empty, the pictures tell.
version = 1

# Folders with the frames. They are only ever read.
sources = []

# The station, or folder, of each eye, for example left = "station-1".
left = ""
right = ""

# Of more than two stations, the two that make the pair, in any order, for example
# pair = ["station-2", "station-4"]; empty: chosen for the viewing conditions below.
pair = []

# true: a frame that cannot be used stops the job. false: it is set aside, and the proof says so.
strict = false

[mounting]
# Where the stereo window stands: "auto", "near", "far", or a point [x, y] in px of the left view.
window = "auto"
# Shape of the crop: "auto" as the frames, or width to height, for example "4:3".
aspect = "auto"
# The crop by hand: "auto", or [x, y, width, height] in px of the left view as it lies.
crop = "auto"
# Masks at the sides ("a floating window") where the frame cuts something in front of it: "auto" or "never".
floating = "auto"
# Share of the stereo base as shot: below 1 depth is less, and the right eye's picture is reckoned for it.
base_share = 1.0
# The distortion of the lens is taken out where a database of lenses knows it: "auto", "never", or its name.
lens = "auto"
# Views that differ in brightness or colour, as exposure or light had changed: "auto" evens them where they
# surely do, "even" always, "as-shot" never. The proof tells what the frames differ by in any case.
light = "auto"

[adjust]
# By hand, on top of what was measured: the right picture moved right (everything farther behind the window)
# and up, in px of the views, turned clockwise in degrees, and made larger.
shift_px = 0.0
raise_px = 0.0
turn_deg = 0.0
scale = 1.0

[capture]
# What you know in mm; from it follow depth and sizes in mm, and whether the rail moved as far as it should:
# base_mm = 6.5            sideways move between the two stations
# step_mm = 0.5            from frame to frame
# field_width_mm = 31.0    width of what a frame shows in its plane of focus
# sensor_width_mm = 23.5
# focal_mm = 60.0          at this magnification

[viewing]
# The width of the picture on the screen or print, the viewer's distance, and the distance of the pupils.
screen_width_mm = 600.0
distance_mm = 600.0
eyes_mm = 63.0

[colour]
# The glasses, such as "red-cyan", or the path of a calibration file made with `nearpair glasses`, and how
# colours are found: "matched", "colour", "half-colour", "grey", "least-squares", "local-desaturation" or
# "cielab".
glasses = "red-cyan"
method = "matched"

[about]
# Carried by published pictures: a caption, who made them, and what they show, for those who cannot see them.
caption = ""
creator = ""
alt = ""

[moved]
# Frames that belong to another station than was found, or to none, such as
# "DSC_0123.jpg" = "station-2"
# "DSC_0124.jpg" = ""       # set aside

# To show a frame of your choice in an area of a view, all within radius_px of a line through points, in px of
# the view of that station, add at the end:
# [[retouches]]
# station = "station-1"
# frame = "IMG_0012.JPG"
# radius_px = 40.0
# points = [[812.0, 540.0], [860.0, 552.0]]
# eyes = "both"           # or "one": only the view of this station
# on = "IMG_0010.JPG"     # the view's reference frame when the points were found, should it change

# To decide about one station, add its lines at the end:
# [[stations]]
# name = "station-1"
# order = "far-to-near"   # or "near-to-far", "auto"
# kind = "rail"           # or "ring", "auto"

"""
