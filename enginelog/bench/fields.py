"""What the page calls the fields that tell of an engine, in forms and in the errors that come back."""

FIELDS = {
    "strokes": "Strokes",
    "cylinders": "Cylinders",
    "firing_angles": "How a four-stroke twin fires",
    "machine": "Kind of machine",
    "rated_rpm": "Rated speed, rpm",
    "idle_rpm": "Idle speed, rpm",
    "blade_length_mm": "Blade from tip to tip, mm",
    "poles": "Poles of the alternator",
}
