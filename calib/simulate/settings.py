"""What a simulated campaign is: how many standards, shots and visits, and which physics."""

from __future__ import annotations

from dataclasses import dataclass, fields

from calib.errors import UsageError


@dataclass(frozen=True)
class SimulationSettings:
    """Settings of a simulated campaign; the same settings give the same bytes.

    Parameters
    ----------
    n_standards : int, default 120
        Certified standards, doping series and split powders included. Check targets and
        natural faces come on top.
    distances_m : tuple of float, default (1.5, 3, 5, 7.5)
        Stand-off distances at which every standard is shot, m.
    spots : int, default 3
        Spots on each standard at each distance; each gives one burst.
    shots : int, default 20
        Shots in a burst.
    n_check_visits : int, default 16
        Visits to the check targets, spread over a year after the campaign.
    seed : int, default 1
        Root of every random draw.
    matrix_effect : bool, default True
        Ablated mass and temperature depend on the sample. Off: the same for all samples.
    self_absorption : bool, default True
        The plasma is a slab of finite optical depth. Off: it is optically thin.
    distance : bool, default True
        Light collected, spot and plasma depend on the distance. Off: all as at 3 m.
    drift : bool, default True
        Wavelength, gain and dark change with the detectors' temperature. Off: they keep
        still at 20 °C.
    dust : bool, default True
        The first shots hit dust. Off: clean surfaces.
    fluctuation : bool, default True
        Laser energy, plasma and pointing change from shot to shot.
    heterogeneity : bool, default True
        Coarse-grained standards differ from spot to spot.
    noise : bool, default True
        Photon and read noise, cosmic hits, certification errors excepted.

    Raises
    ------
    UsageError
        If a count is below one or a distance is not in 0.5 to 20 m.
    """

    n_standards: int = 120
    distances_m: tuple[float, ...] = (1.5, 3.0, 5.0, 7.5)
    spots: int = 3
    shots: int = 20
    n_check_visits: int = 16
    seed: int = 1
    matrix_effect: bool = True
    self_absorption: bool = True
    distance: bool = True
    drift: bool = True
    dust: bool = True
    fluctuation: bool = True
    heterogeneity: bool = True
    noise: bool = True

    def __post_init__(self) -> None:
        least = {"n_standards": 5, "spots": 1, "shots": 1, "n_check_visits": 0, "seed": 0}
        for field in fields(self):
            value = getattr(self, field.name)
            if field.name in least and value < least[field.name]:
                raise UsageError(f"{field.name}: found {value}, need at least {least[field.name]}")
        object.__setattr__(self, "distances_m", tuple(float(d) for d in self.distances_m))
        if not self.distances_m:
            raise UsageError("distances_m: found none, need at least one")
        for distance in self.distances_m:
            if not 0.5 <= distance <= 20:
                raise UsageError(f"distances_m: found {distance:g}, need 0.5 to 20 m")
