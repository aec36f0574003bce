"""What every form of a proof says alike: the verdicts and the cautions."""

VERDICTS = {
    "ready": ("Ready", "Nothing measured speaks against showing this pair."),
    "with care": ("Ready with care", "The pair can be shown; what follows deserves a look first."),
    "rework": ("Rework", "Something should be put right before this pair is shown."),
}

CAUTIONS = (
    (
        "Stop looking and rest, looking into the distance, on headache, sore eyes, dizziness, nausea or "
        "double vision (Report ITU-R BT.2293)."
    ),
    (
        "Alternating and flashing pictures can set off fits in people with photosensitive epilepsy: do "
        "not show them animations of the pair."
    ),
    "Not for children under six; in moderation under thirteen (ANSES, 2014).",
    (
        "About 1 in 14 people see no depth in any such picture, about 1 in 3 see it weakly. It is no "
        "fault of theirs, and the flat picture should be at hand for them."
    ),
    (
        "The limits here are averages from the literature. Questions about a person's eyes belong to an "
        "eye-care professional; rules for public shows to those who are responsible for them locally."
    ),
)
