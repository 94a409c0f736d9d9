"""What the report says whatever the plan is: cautions, what remains open, who looks at it."""

from __future__ import annotations

CAUTIONS = (
    (
        "Pressure",
        "Shut off, bleed and see zero before a pipe is opened. Fill slowly: trapped air bursts pipe. "
        "Never test with compressed air. Thin-walled line bursts at rest too, at the low end of "
        "a full submain.",
    ),
    (
        "Trenches",
        "Have buried services located first. A wall over 1.5 m deep is supported or sloped, spoil is "
        "kept back from the edge, and there is a way out. Nobody works in a trench alone.",
    ),
    (
        "Electricity",
        "Water and current together kill. Lock out and test before work on a pump; a licensed "
        "electrician connects it.",
    ),
    ("Side slopes", "Tractors overturn. Keep to the machine's manual, with roll-over protection and belt."),
    (
        "Acid and chlorine",
        "Never together: the gas kills. Separate tanks, separate points. Acid into water, never "
        "water into acid. Gloves, goggles, apron. The label and the safety data sheet come first.",
    ),
    (
        "Backflow",
        "Nothing is injected without protection against backflow, so that wells and mains stay clean. "
        "What the water authority asks for comes first.",
    ),
    ("Re-entry", "After chemicals the label says when a field may be entered again."),
    ("Rows and water", "Rows that fall steeply, or gather in a hollow, make gullies. Lead water off safely."),
)

OPEN = (
    ("Water right, abstraction, backflow prevention", "water authority"),
    ("Flow and level of the source at the driest time, by a test", "hydrologist or pump supplier"),
    ("Mains under pressure: surge, classes, relief, long rising mains", "licensed engineer"),
    ("Pumps, controls, supply of power", "licensed electrician"),
    ("Buried services along every trench", "the utilities, before digging"),
    ("Row directions on land that erodes or drains to neighbours", "soil conservation service"),
    ("Inside diameter, wall, losses and Cv of the line that is bought", "maker's data sheet"),
    ("Soil, crop and salt, seen in the field", "agronomist"),
    ("Water analysis: solids, iron, manganese, pH, salt", "laboratory"),
    ("Heights at the worst emitters, levelled on the ground", "surveyor"),
    ("Fertiliser and chemicals in the water", "who is trained for it, by the label"),
)

MAINS_CAUTION = ("Pressure", "Trenches", "Electricity")
TASKS_CAUTION = ("Pressure", "Electricity", "Side slopes", "Acid and chlorine", "Re-entry")
INJECTION_CAUTION = ("Backflow", "Acid and chlorine")


def caution(*names: str) -> str:
    """The cautions of those names as one paragraph, to stand where the work is told."""
    return " ".join(f"{name}: {text[:1].lower()}{text[1:]}" for name, text in CAUTIONS if name in names)
