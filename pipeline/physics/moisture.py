"""Vapour diffusion through a wall over a year (BS EN ISO 13788:2012), many walls at once.

Temperatures degC, pressures Pa, vapour resistance as equivalent air layer sd m, amounts kg/m2.
Interfaces run from the inside surface (0) to the outside surface (the last).

The method covers diffusion alone. It does not cover rain penetration, ground moisture, moisture
trapped at works, air leaking through gaps, capillary flow or storage; a designer decides.
Clauses of the standard are cited from memory: its text could not be read.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.physics import Floats, Number

Flags = NDArray[np.bool_]
Integers = NDArray[np.int64]
NONE, DRIES, ACCUMULATES = 0, 1, 2
"""Verdicts: no condensation; condensate that dries within the year; condensate that stays."""


def saturation_pressure(temperature: Floats | float) -> Floats:
    """Saturation vapour pressure [Pa], over water from 0 degC up and over ice below.

    Source: BS EN ISO 13788:2012, Annex E.
    """
    t = np.asarray(temperature, dtype=float)
    water = 17.269 * np.maximum(t, 0.0) / (237.3 + np.maximum(t, 0.0))
    ice = 21.875 * np.minimum(t, 0.0) / (265.5 + np.minimum(t, 0.0))
    return np.asarray(610.5 * np.exp(water + ice))


def dew_point(pressure: Floats | float) -> Floats:
    """Temperature at which a vapour pressure saturates [degC]; inverse of `saturation_pressure`.

    Source: BS EN ISO 13788:2012, Annex E.
    """
    x = np.log(np.asarray(pressure, dtype=float) / 610.5)
    water, ice = np.maximum(x, 0.0), np.minimum(x, 0.0)
    return np.asarray(237.3 * water / (17.269 - water) + 265.5 * ice / (21.875 - ice))


def temperature_factor(surface: Number, inside: Number, outside: Number) -> Number:
    """f_Rsi of an inside surface [-] from three temperatures. Source: BS EN ISO 13788:2012, 3."""
    return (surface - outside) / (inside - outside)


def plane_temperature_factor(u_value: Number, r_inside: float, r_inside_check: float) -> Number:
    """f_Rsi of a plane wall [-] from its U-value.

    u_value holds the surface resistance r_inside; the check is made with r_inside_check, so U is
    first brought to that: f = 1 - r_check / (1/U - r_inside + r_check). Where both are the same
    this is 1 - U r. Source: derived from the definition in BS EN ISO 13788:2012, 3.
    """
    return 1.0 - r_inside_check / (1.0 / u_value - r_inside + r_inside_check)


def least_temperature_factor(
    inside: Floats | float, outside: Floats | float, vapour: Floats | float, humidity: float
) -> Floats:
    """f_Rsi that keeps the surface at or below a relative humidity [-].

    vapour: pressure of the room's air; humidity: limit at the surface (0.8 against mould).
    Source: BS EN ISO 13788:2012, 5.3.
    """
    surface = dew_point(np.asarray(vapour) / humidity)
    return np.asarray(temperature_factor(surface, np.asarray(inside), np.asarray(outside)))


def vapour_excess(outside: Floats, full: Floats | float, cold: float, warm: float) -> Floats:
    """Vapour pressure inside above that outside [Pa]: `full` up to `cold`, none from `warm` on.

    outside: mean temperature of the month. Linear between. Source: BS EN ISO 13788:2012, Annex A.
    """
    return np.asarray(full * np.clip((warm - outside) / (warm - cold), 0.0, 1.0))


def vapour_resistance(thickness_sd: Number, permeability: float) -> Number:
    """Vapour resistance [Pa m2 s/kg] of an equivalent air layer. Times 1e-9: MNs/g."""
    return thickness_sd / permeability


def interface_temperatures(
    resistance: Floats, inside: Floats, outside: Floats, r_inside: float, r_outside: float
) -> Floats:
    """Temperature of every interface, shape [case, period, interface].

    resistance [case, layer] m2K/W, inside to outside; inside, outside [case, period].
    Source: BS EN ISO 13788:2012, 6.2: shared out by resistance.
    """
    within = np.cumsum(resistance, axis=1)
    reached = r_inside + np.pad(within, ((0, 0), (1, 0)))
    share = reached / (reached[:, -1:] + r_outside)
    return np.asarray(inside[..., None] + (outside - inside)[..., None] * share[:, None, :])


def strips(resistance: Floats, sd: Floats, most: float) -> tuple[Floats, Floats, Integers]:
    """Cut each layer into equal strips of at most `most` m2K/W, so that condensation is found.

    resistance, sd [case, layer]; a layer with neither is padding and falls away. Returns
    resistance and sd [case, strip] padded with zeros at the outside, and the layer each strip
    belongs to (-1: padding). Source: BS EN ISO 13788:2012, 6.2. Raises ValueError for a layer
    whose sd is not finite and above 0: the method needs a figure, if only a small one.
    """
    real = (resistance != 0.0) | (sd != 0.0)
    if not (np.isfinite(sd).all() and (sd[real] > 0.0).all() and (resistance >= 0.0).all()):
        raise ValueError("every layer needs a finite sd above 0 and a resistance of 0 or more")
    pieces = np.where(real, np.maximum(np.ceil(resistance / most - 1e-9), 1.0), 0.0).astype(int)
    count = pieces.sum(axis=1)
    case, layer = (np.repeat(index.ravel(), pieces.ravel()) for index in np.indices(sd.shape))
    place = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
    shape = (len(sd), int(count.max(initial=0)))
    cut_resistance, cut_sd, owner = np.zeros(shape), np.zeros(shape), np.full(shape, -1)
    cut_resistance[case, place] = (resistance / np.maximum(pieces, 1))[case, layer]
    cut_sd[case, place] = (sd / np.maximum(pieces, 1))[case, layer]
    owner[case, place] = layer
    return cut_resistance, cut_sd, owner


def interface_depths(sd: Floats) -> Floats:
    """sd from the inside surface to every interface [m], shape [case, interface]."""
    return np.pad(np.cumsum(sd, axis=1), ((0, 0), (1, 0)))


def vapour_flows(
    depth: Floats, pressure: Floats, held: Flags, permeability: float
) -> tuple[Floats, Floats, Floats]:
    """Steady vapour flow with condensate at any number of interfaces.

    depth, pressure [case, interface]: sd from inside, and the highest pressure possible: that of
    the air at the two ends, saturation between. held: interfaces that are wet and so stay at
    saturation. The vapour pressure is the lower convex hull of `pressure` over `depth` between
    held interfaces; where the hull bends, vapour condenses, and a held interface may evaporate.
    Returns (gain of every interface, flow in at the inside, flow out at the outside) [kg/m2s].
    Source: BS EN ISO 13788:2012, 6.3 and 6.4.
    """
    left = _hull(depth, pressure, held)
    run = depth - np.take_along_axis(depth, left, axis=1)
    rise = pressure - np.take_along_axis(pressure, left, axis=1)
    flow = -permeability * np.divide(rise, run, out=np.zeros_like(run), where=run > 0.0)
    gain = np.zeros_like(depth)
    leaving = out = flow[:, -1]
    at = left[:, -1]
    for j in range(depth.shape[1] - 2, 0, -1):
        hit = at == j
        gain[hit, j] = (flow[:, j] - leaving)[hit]
        leaving = np.where(hit, flow[:, j], leaving)
        at = np.where(hit, left[:, j], at)
    return gain, leaving, out


def vapour_pressure(depth: Floats, pressure: Floats) -> Floats:
    """Steady vapour pressure at every interface of a dry wall [Pa], shape [case, interface].

    depth, pressure as `vapour_flows` has them. It meets `pressure` where vapour condenses.
    Source: BS EN ISO 13788:2012, 6.3.
    """
    left = _hull(depth, pressure, np.zeros(depth.shape, dtype=bool))
    found = np.empty(depth.shape)
    for case in range(len(depth)):
        corners = [depth.shape[1] - 1]
        while corners[-1] > 0:
            corners.append(int(left[case, corners[-1]]))
        corners.reverse()
        found[case] = np.interp(depth[case], depth[case, corners], pressure[case, corners])
    return found


def _hull(depth: Floats, pressure: Floats, held: Flags) -> NDArray[np.intp]:
    """Interface to the left of each on the lower hull, by a monotone chain; held ones stay.

    The hull is read from the last interface leftwards. Interfaces at the depth of either surface
    are padding and take no part.
    """
    cases, last = depth.shape[0], depth.shape[1] - 1
    rows, top = np.arange(cases), np.zeros(cases, dtype=np.intp)
    left = np.zeros(depth.shape, dtype=np.intp)
    for j in range(1, last + 1):
        taken = (depth[:, j] < depth[:, last]) & (depth[:, j] > 0.0) if j < last else top >= 0
        open_ = taken
        while True:
            before = left[rows, top]
            d0, p0 = depth[rows, before], pressure[rows, before]
            above = (pressure[rows, top] - p0) * (depth[:, j] - d0)
            above -= (pressure[:, j] - p0) * (depth[rows, top] - d0)
            open_ = open_ & (top > 0) & ~held[rows, top] & (above >= 0.0)
            if not open_.any():
                break
            top = np.where(open_, before, top)
        left[taken, j] = top[taken]
        top = np.where(taken, j, top)
    return left


def through_period(
    amount: Floats, depth: Floats, pressure: Floats, seconds: Floats, permeability: float
) -> tuple[Floats, Floats, Floats]:
    """Condensate after a period of constant conditions, and the vapour in and out [kg/m2].

    amount, depth, pressure [case, interface], as `vapour_flows` has them; seconds [case]. A wet
    interface stays at saturation until it is dry; at that moment the period is split and the rest
    goes on with the interface free, so vapour in less vapour out is the gain exactly.
    Source: BS EN ISO 13788:2012, 6.4. The split is ours: setting an amount below 0 to 0 when the
    month ends, as monthly tables do, would lose the balance.
    """
    amount = amount.copy()
    entered, left = np.zeros(len(amount)), np.zeros(len(amount))
    rest = np.array(seconds, dtype=float)
    going = np.flatnonzero(rest > 0.0)
    while going.size:
        wet = amount[going]
        gain, inwards, outwards = vapour_flows(
            depth[going], pressure[going], wet > 0.0, permeability
        )
        drying = (gain < 0.0) & (wet > 0.0)
        until_dry = np.divide(wet, -gain, out=np.full_like(wet, np.inf), where=drying)
        step = np.minimum(until_dry.min(axis=1), rest[going])
        after = np.maximum(wet + gain * step[:, None], 0.0)
        after[until_dry <= step[:, None] * (1.0 + 1e-12)] = 0.0
        amount[going] = after
        entered[going] += inwards * step
        left[going] += outwards * step
        rest[going] -= step
        going = going[rest[going] > 0.0]
    return amount, entered, left


@dataclass(frozen=True)
class Climate:
    """Conditions on both sides, [case, period]; seconds [period]. Any number of periods."""

    inside: Floats
    outside: Floats
    vapour_inside: Floats
    vapour_outside: Floats
    seconds: Floats


@dataclass(frozen=True)
class Surfaces:
    """Surface resistances [m2K/W] and vapour permeability of air [kg/(m s Pa)]."""

    r_inside: float
    r_outside: float
    permeability: float


@dataclass(frozen=True)
class MoistureYear:
    """One year of each case from the start of condensation on.

    start [case]: period the year begins with. amount [case, place in the year, interface] at the
    end of each period; vapour_in, vapour_out [case, place] kg/m2. surface_wet [case]: the room's
    air would condense on the surface itself, which `temperature_factor` judges, not this.
    """

    start: Integers
    amount: Floats
    vapour_in: Floats
    vapour_out: Floats
    surface_wet: Flags

    @property
    def total(self) -> Floats:
        """Condensate in the whole wall at the end of each period [case, place] kg/m2."""
        return np.asarray(self.amount.sum(axis=2))

    @property
    def peak(self) -> Floats:
        """Largest total at the end of a period [case] kg/m2."""
        return np.asarray(self.total.max(axis=1))

    @property
    def peak_by_interface(self) -> Floats:
        """Largest amount at each interface [case, interface] kg/m2."""
        return np.asarray(self.amount.max(axis=1))

    @property
    def verdict(self) -> Integers:
        """NONE, DRIES or ACCUMULATES of each case, by what is left when the year ends."""
        stays = self.total[:, -1] > 0.0
        return np.where(stays, ACCUMULATES, np.where(self.peak > 0.0, DRIES, NONE))

    @property
    def dry_period(self) -> Integers:
        """Period within which the last condensate goes [case]; -1 where none does."""
        total = self.total
        goes = (total[:, 1:] == 0.0) & (total[:, :-1] > 0.0)
        places = total.shape[1]
        place = places - 1 - np.argmax(goes[:, ::-1], axis=1)
        found = goes.any(axis=1) & (self.verdict == DRIES)
        return np.where(found, (self.start + place) % places, -1)


def moisture_year(
    resistance: Floats, sd: Floats, climate: Climate, surfaces: Surfaces
) -> MoistureYear:
    """Condensation and drying of each wall through one year.

    resistance [case, layer] m2K/W and sd [case, layer] m, as `strips` returns them. The year
    begins with the condensing period that follows the longest run of periods without
    condensation, and begins dry; with the first period where every one condenses.
    Source: BS EN ISO 13788:2012, 6.4.
    """
    depth = interface_depths(sd)
    pressure = saturation_pressure(
        interface_temperatures(
            resistance, climate.inside, climate.outside, surfaces.r_inside, surfaces.r_outside
        )
    )
    surface_wet = np.asarray((climate.vapour_inside > pressure[..., 0]).any(axis=1))
    pressure[..., 0] = np.minimum(pressure[..., 0], climate.vapour_inside)
    pressure[..., -1] = np.minimum(pressure[..., -1], climate.vapour_outside)
    condenses = condensing(depth, pressure)
    start, periods = first_period(condenses), pressure.shape[1]
    order = (start[:, None] + np.arange(periods)) % periods
    straight = (pressure[..., 0] - pressure[..., -1]) * climate.seconds / depth[:, -1:]
    passing = np.take_along_axis(surfaces.permeability * straight, order, axis=1)
    year = MoistureYear(start, np.zeros(pressure.shape), passing, passing.copy(), surface_wet)
    damp = np.flatnonzero(condenses.any(axis=1))
    amount = np.zeros((damp.size, depth.shape[1]))
    for place in range(periods):
        period = order[damp, place]
        amount, entered, left = through_period(
            amount,
            depth[damp],
            pressure[damp, period],
            climate.seconds[period],
            surfaces.permeability,
        )
        year.amount[damp, place] = amount
        year.vapour_in[damp, place], year.vapour_out[damp, place] = entered, left
    return year


def condensing(depth: Floats, pressure: Floats) -> Flags:
    """Periods in which vapour condenses in a dry wall [case, period].

    pressure [case, period, interface]. It does where the straight line of vapour pressure between
    the surfaces passes saturation at any interface. Source: BS EN ISO 13788:2012, 6.3.
    """
    share = (depth / depth[:, -1:])[:, None, :]
    straight = pressure[..., :1] + (pressure[..., -1:] - pressure[..., :1]) * share
    inner = share < 1.0
    return np.asarray(((straight > pressure) & inner).any(axis=2))


def first_period(condenses: Flags) -> Integers:
    """Condensing period after the longest run without condensation; the first of equals."""
    cases, periods = condenses.shape
    run, before = np.zeros(cases, dtype=int), np.zeros(condenses.shape, dtype=int)
    for period in [*range(periods), *range(periods)]:
        before[:, period] = run
        run = np.where(condenses[:, period], 0, run + 1)
    return np.asarray(np.argmax(np.where(condenses, before, -1), axis=1))
