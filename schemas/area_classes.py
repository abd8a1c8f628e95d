"""Classes of the area that an operation sprays, in order: what a mixing guide can tell apart."""

AREA_CLASSES = ("under_0.5", "0.5_to_1.5", "1.5_to_4", "over_4")
#: m2 (area x covered fraction) at which the next class begins; a class holds its lower border
AREA_BORDERS = (0.5, 1.5, 4.0)


def area_class(area_m2: float) -> str:
    """The class of a sprayed area in m2."""
    return AREA_CLASSES[sum(area_m2 >= border for border in AREA_BORDERS)]
