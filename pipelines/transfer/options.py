"""The method's own constant. What a shop may choose stands in settings.py."""

Z95 = 1.959963984540054  # two-sided 95 % point of the standard normal distribution
