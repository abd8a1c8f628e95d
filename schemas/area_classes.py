"""What a mixing guide can tell apart: classes of the area that an operation sprays, in order, and levels of enough."""

AREA_CLASSES = ("under_0.5", "0.5_to_1.5", "1.5_to_4", "over_4")
#: m2 (area x covered fraction) at which the next class begins; a class holds its lower border
AREA_BORDERS = (0.5, 1.5, 4.0)

#: of 100 jobs, in how many an amount to mix is enough: the levels that are tried and offered
MIX_LEVELS = (50, 70, 80, 90, 95, 98)


def area_class(area_m2: float) -> str:
    """The class of a sprayed area in m2."""
    return AREA_CLASSES[sum(area_m2 >= border for border in AREA_BORDERS)]
