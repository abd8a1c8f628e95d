"""What the method lets a shop choose, and the method's own constants, each with its reason.

Here belong numbers that are choices. Not here: numbers that the data decide, and facts of nature or law.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any

# Nothing lands more than was sprayed; used for the statutory wording "at least 65 %" (40 CFR 63.11173(e)(3), transfer
# efficiency of the technique). Comparing a shop's own figure with it is not a compliance test.

Z95 = 1.959963984540054  # two-sided 95 % point of the standard normal distribution


@dataclass(frozen=True, slots=True)
class Options:
    """Choices of one workspace: keys of filmledger.toml.

    material_effect    a gun or technician is flagged only for lying below typical by more than this (ratio, negative)
    false_flag_share   expected share of wrong flags among the flags (false discovery rate)
    area_shared_sd, solids_rel_u, density_rel_u    relative standard uncertainties that records share: the table of areas, a
                       product's solids content, a product's densities; in every absolute statement, in no comparison
    """

    material_effect: float = -0.05
    false_flag_share: float = 0.05
    area_shared_sd: float = 0.05
    solids_rel_u: float = 0.02
    density_rel_u: float = 0.02

    def shared_rel_u(self, gain_rel_u: float) -> float:
        """What records of film share, one product's: areas, gauge, solids, densities together (relative, in squares)."""
        return math.sqrt(self.area_shared_sd**2 + gain_rel_u**2 + self.solids_rel_u**2 + self.density_rel_u**2)

    @classmethod
    def read(cls, settings: Mapping[str, Any] | Options | None) -> Options:
        """From the flat settings of a workspace; keys of other parts of the pipeline are passed over."""
        if isinstance(settings, Options):
            return settings
        known = {f.name for f in fields(cls)}
        return cls(**{key: float(value) for key, value in (settings or {}).items() if key in known})
