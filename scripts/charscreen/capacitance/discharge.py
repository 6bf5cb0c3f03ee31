"""One constant-current discharge: capacitance three ways, resistance, efficiency, with errors."""

import itertools
import math

import numpy as np

from charscreen.curves import (
    clock_step,
    digit_step,
    find_crossing,
    independent_readings,
    integral,
    is_curved,
    line_fit,
    median,
    noise_sd,
    reading_noise,
)
from charscreen.traces.segments import Segment, find_segments

LEAST_POINTS = 5
CURVED_SHARE = 0.10  # slopes of the two halves of the window differ by more: not straight
DISAGREE_SHARE = 0.10
DROP_SHARE = 0.20
OVER_SHARE = 0.05  # voltage above the upper voltage by more than this
SWING_MATCH_SHARE = 0.10  # charge must begin where the discharge ends for an efficiency
SAMPLING_SHARE = 0.20  # a resistance less sure than this by when its step came rests on that
ON_SAMPLING = "resistance rests on the sampling interval"
EDGE_SHARE = 0.02  # a discharge may miss an end of the window by this share of it

#: Standard uncertainties of an instrument that is taken as exact.
EXACT = {
    "voltage_percent": 0.0,
    "voltage_offset_mV": 0.0,
    "current_percent": 0.0,
    "time_resolution_s": 0.0,
    "load_percent": 0.0,
    "stopwatch_s": 0.0,
}

#: Columns of one cycle.
CYCLE_COLUMNS = (
    "cycle", "start_s", "discharge_s", "current_mA", "n_points", "voltage_start_V",
    "voltage_after_drop_V",
    "capacitance_F", "capacitance_F_se", "capacitance_F_se_a", "capacitance_F_se_b",
    "capacitance_charge_F", "capacitance_charge_F_se", "capacitance_charge_F_se_a",
    "capacitance_charge_F_se_b", "capacitance_energy_F", "capacitance_energy_F_se",
    "capacitance_energy_F_se_a", "capacitance_energy_F_se_b",
    "esr_ohm", "esr_ohm_se", "esr_ohm_se_a", "esr_ohm_se_b",
    "drop_V", "drop_first_sample_V", "current_step_mA",
    "coulombic_efficiency_percent", "coulombic_efficiency_percent_se",
    "energy_efficiency_percent", "energy_efficiency_percent_se",
    "energy_J", "energy_J_se", "energy_delivered_J", "power_mean_W", "power_mean_W_se",
    "power_max_W", "power_max_W_se", "quality",
)  # fmt: skip


def measure_cycles(
    time_s: np.ndarray,
    voltage_V: np.ndarray,
    current_A: np.ndarray,
    *,
    upper_voltage_V: float,
    window: tuple[float, float] = (0.8, 0.4),
    instrument: dict | None = None,
    segments: list[Segment] | None = None,
    steps_from_voltage: bool = False,
) -> tuple[list[dict], list[str]]:
    """One row per cycle whose discharge covers the window, and why others are not there.

    Parameters
    ----------
    time_s, voltage_V : (n,) arrays
        [s], [V]
    current_A : (n,) array
        Positive on charge. [A]
    upper_voltage_V : float
        Voltage the window is measured from. [V]
    window : tuple of float
        Upper and lower end as fractions of `upper_voltage_V`.
    instrument : dict, optional
        Standard uncertainties: ``voltage_percent``, ``voltage_offset_mV``, ``current_percent``,
        ``time_resolution_s``; what is absent counts as exact.
    segments : list of Segment, optional
        Where they are known already.
    steps_from_voltage : bool
        Whether the current was not logged, so that the steps were found from the voltage: where
        it is noisy their moment is then less sure, which counts in the resistance.

    Returns
    -------
    tuple
        Rows with `CYCLE_COLUMNS` (None where a figure does not apply), reasons in words.

    Notes
    -----
    Where the logger is slow the step hides between two samples, and the resistance found may
    come out below zero. It is then not told: ``esr_ohm`` is None, flag ``resistance not
    resolved``; ``drop_V`` over ``current_step_mA`` and ``esr_ohm_se``, which covers the gap, stay,
    so that a mean over cycles is not bent by leaving the low ones out. Where it is told but
    ``esr_ohm_se_b`` exceeds a fifth of it, the flag is ``resistance rests on the sampling
    interval``.
    """
    instrument = {**EXACT, **(instrument or {})}
    if segments is None:
        segments = find_segments(time_s, voltage_V, current_A)
    top, bottom = window[0] * upper_voltage_V, window[1] * upper_voltage_V
    rows, reasons = [], []
    for k, segment in enumerate(segments):
        if segment.kind != "discharge":
            continue
        t, v = time_s[segment.start : segment.stop], voltage_V[segment.start : segment.stop]
        if len(t) < 3:
            continue
        noise, digit = reading_noise(v)
        edge = EDGE_SHARE * (top - bottom)
        first = find_crossing(t, v, top, noise=noise, edge=edge, step=digit)
        last = find_crossing(t, v, bottom, noise=noise, edge=edge, step=digit)
        if first is None or last is None or last.time_s <= first.time_s:
            reasons.append(
                f"the discharge of cycle {segment.cycle} runs from {v[0]:.3g} to {v[-1]:.3g} V "
                f"and does not cover the window {top:.3g} to {bottom:.3g} V"
            )
            continue
        one = _Discharge(time_s, voltage_V, current_A, segments, k, instrument, steps_from_voltage)
        rows.append(one.measure(first, last, top=top, bottom=bottom, upper=upper_voltage_V))
    return rows, reasons


class _Discharge:
    """Figures of one discharge; the parts share the arrays and the instrument."""

    def __init__(self, time, voltage, current, segments, k, instrument, steps_from_voltage):
        self.time, self.voltage, self.current = time, voltage, current
        self.segments, self.k, self.instrument = segments, k, instrument
        self.here = segments[k]
        self.gain = instrument["voltage_percent"] / 100.0
        self.current_gain = instrument["current_percent"] / 100.0
        self.steps_from_voltage = steps_from_voltage
        self.u_after = 0.0  # of the voltage after the drop
        t = time[self.here.start : self.here.stop]
        self.u_time = max(instrument["time_resolution_s"], clock_step(t)) / math.sqrt(12.0)
        # Of a moment that may lie anywhere between two samples.
        self.u_gap = median(t[1:] - t[:-1]) / math.sqrt(3.0)

    def measure(self, first, last, *, top, bottom, upper) -> dict:
        a, b = self.here.start, self.here.stop
        t, v, i = self.time[a:b], self.voltage[a:b], -self.current[a:b]
        begin = int(t.searchsorted(first.time_s, side="right"))
        inside = slice(begin, int(t.searchsorted(last.time_s)))
        n_points = inside.stop - inside.start
        ends = [first.time_s, last.time_s]
        tt = np.concatenate([ends[:1], t[inside], ends[1:]])
        vv = np.concatenate([[top], v[inside], [bottom]])
        i_ends = np.interp(ends, t, i)
        ii = np.concatenate([i_ends[:1], i[inside], i_ends[1:]])
        height, span = top - bottom, last.time_s - first.time_s
        level = median(ii)
        row = dict.fromkeys(CYCLE_COLUMNS)
        row.update(cycle=self.here.cycle, start_s=float(t[0]), n_points=n_points,
                   current_mA=level * 1e3, voltage_gain_se=self.gain)  # fmt: skip
        charge, energy = integral(tt, ii), integral(tt, vv * ii)
        row["capacitance_F"] = level * span / height
        row["capacitance_charge_F"] = charge / height
        row["capacitance_energy_F"] = 2.0 * energy / (top**2 - bottom**2)
        u_level = 0.0
        if ii.max() > ii.min():
            rounding = digit_step(ii, least_levels=1) / math.sqrt(12.0)
            u_level = math.hypot(noise_sd(ii) / math.sqrt(len(ii)), rounding)
        # An offset of the voltage shifts both ends of the window alike and drops out.
        moments = math.sqrt(2.0) * self.u_time / span
        share_b = math.hypot(self.current_gain, self.gain, moments)
        # How much an end of the window counts: with energy as its voltage does.
        mean = 0.5 * (top + bottom)
        for name, upper_end, lower_end in (
            ("capacitance_F", 1.0, 1.0),
            ("capacitance_charge_F", 1.0, 1.0),
            ("capacitance_energy_F", top / mean, bottom / mean),
        ):
            ends_s = math.hypot(upper_end * first.se_s, lower_end * last.se_s)
            share_a = math.hypot(ends_s / span, u_level / level)
            row[f"{name}_se"] = row[name] * math.hypot(share_a, share_b)
            row[f"{name}_se_a"], row[f"{name}_se_b"] = row[name] * share_a, row[name] * share_b
        fit_t, fit_v = (t[inside], v[inside]) if n_points >= 3 else (tt, vv)
        noise, digit = reading_noise(fit_v)
        self._resistance(row, fit_t, fit_v, noise, digit, level)
        given = self._charge_and_energy(self.here)
        self._energy(row, -given[1])
        self._efficiency(row, -given[0], -given[1], upper)
        row["quality"] = "; ".join(self._flags(row, fit_t, fit_v, noise, height, upper))
        return row

    def _resistance(self, row, t, v, noise, digit, level) -> None:
        """Gap between the last sample before the step and the line extrapolated back to it."""
        if self.here.start == 0:
            return
        before = self.here.start - 1
        value, slope, mean, spread = line_fit(t, v)
        t_before = float(self.time[before])
        residual = v - value - slope * (t - mean)
        scatter = math.sqrt(residual @ residual / (len(t) - 2)) if len(t) > 2 else noise
        v_before, u_before = self._voltage_before(noise, digit, t, slope)
        drop = v_before - (value + slope * (t_before - mean))
        # The line is read off at the last sample before the step, the step came up to a gap later.
        gap = float(self.time[self.here.start]) - t_before
        if self.steps_from_voltage:
            gap = math.hypot(gap, 2.0 * noise / max(abs(slope), 1e-300))
        u_line = scatter * math.sqrt(1.0 / len(t) + (t_before - mean) ** 2 / max(spread, 1e-300))
        u_line *= math.sqrt(len(t) / independent_readings(v, digit))
        u_moment = abs(slope) * math.hypot(gap / math.sqrt(3.0), self.u_time)
        self.u_after = math.hypot(u_line, u_moment)
        step = self._current_before() + level
        row["voltage_start_V"] = v_before
        row["drop_first_sample_V"] = float(v_before - self.voltage[self.here.start])
        row["drop_V"] = drop
        row["voltage_after_drop_V"] = v_before - max(drop, 0.0)
        if step <= 0.1 * level:
            return
        row["current_step_mA"] = step * 1e3
        esr = drop / step
        share = math.hypot(self.gain, self.current_gain)
        row["esr_ohm_se_a"] = math.hypot(u_line, u_before) / step
        row["esr_ohm_se_b"] = math.hypot(u_moment / level, share * esr)
        row["esr_ohm_se"] = math.hypot(row["esr_ohm_se_a"], row["esr_ohm_se_b"])
        if esr > 0:
            row["esr_ohm"] = esr

    def _voltage_before(self, noise, digit, t, slope) -> tuple[float, float]:
        """Voltage at the last sample before the step, and its standard error from noise.

        One sample serves where the record is quiet. Where noise exceeds a fifth of the voltage
        step per sample, a line through the last samples of that segment is read off at the
        same moment: as many as last a twentieth of the window.
        """
        last = self.here.start - 1
        segment = self.segments[self.k - 1]
        per_sample = abs(slope) * (t[-1] - t[0]) / max(len(t) - 1, 1)
        first = int(self.time.searchsorted(self.time[last] - 0.05 * (t[-1] - t[0])))
        first = max(first, segment.start + (1 if segment.kind == "rest" else 0))
        count = last + 1 - first
        if noise <= 0.2 * per_sample or count < 4:
            return float(self.voltage[last]), noise
        part = slice(first, last + 1)
        value, rise, mean, spread = line_fit(self.time[part], self.voltage[part])
        repeats = count / independent_readings(self.voltage[part], digit)
        if spread <= 0:
            return value, noise * math.sqrt(repeats / count)
        ahead = float(self.time[last]) - mean
        return value + rise * ahead, noise * math.sqrt(repeats * (1.0 / count + ahead**2 / spread))

    def _current_before(self) -> float:
        """Current just before the step, positive on charge."""
        last = self.here.start - 1
        segment = self.segments[self.k - 1]
        if segment.kind == "hold":
            return float(self.current[last])  # it dies away: the last sample counts
        return median(self.current[max(segment.start, last - 4) : last + 1])

    def _energy(self, row, delivered) -> None:
        a, b = self.here.start, self.here.stop
        start = self.time[a - 1] if a else self.time[a]
        row["discharge_s"] = float(self.time[b - 1] - start)
        after = row["voltage_after_drop_V"]
        if after is None:
            after = float(self.voltage[a])
            row["voltage_after_drop_V"] = after
            row["voltage_start_V"] = after
        row["energy_J"] = 0.5 * row["capacitance_F"] * after**2
        share = row["capacitance_F_se"] / row["capacitance_F"]
        parts = (share, 2.0 * self.gain, 2.0 * self.u_after / max(abs(after), 1e-9))
        row["energy_J_se"] = row["energy_J"] * math.hypot(*parts)
        row["energy_delivered_J"] = delivered
        self.shift_share = self._shift_share(row)
        if row["discharge_s"] > 0:
            row["power_mean_W"] = delivered / row["discharge_s"]
            share_a = row["capacitance_F_se_a"] / row["capacitance_F"]
            share = math.hypot(self.gain, self.current_gain, share_a, self.shift_share)
            row["power_mean_W_se"] = row["power_mean_W"] * share
        if row["esr_ohm"] is not None:
            row["power_max_W"] = row["voltage_start_V"] ** 2 / (4.0 * row["esr_ohm"])
            share = math.hypot(row["esr_ohm_se"] / row["esr_ohm"], 2.0 * self.gain)
            row["power_max_W_se"] = row["power_max_W"] * share

    def _shift_share(self, row) -> float:
        """Relative change of a discharge's energy by steps that came after the sample before.

        A discharge is counted from the last sample before its step to its own last one. Where
        steps fall between samples it gains up to a gap at the top and loses one at the bottom.
        """
        v = self.voltage[self.here.start : self.here.stop]
        height = abs(row["voltage_after_drop_V"] - float(v[-1]))
        mean = abs(float(v.sum())) / len(v)
        return self.u_gap * height / max(mean * row["discharge_s"], 1e-300)

    def _efficiency(self, row, q_out, e_out, upper) -> None:
        """Charge and energy out over in, where the charge began where the discharge ends."""
        first = self.k
        while first > 0 and self.segments[first - 1].cycle == self.here.cycle:
            first -= 1
        own = self.segments[first : self.k]
        charges = [s for s in own if s.kind in ("charge", "hold")]
        if not charges or (self.steps_from_voltage and self._may_be_held(row, own)):
            return
        v_low = self.voltage[max(charges[0].start - 1, 0)]
        if abs(v_low - self.voltage[self.here.stop - 1]) > SWING_MATCH_SHARE * upper:
            return
        taken = [self._charge_and_energy(s) for s in charges]
        q_in, e_in = sum(q for q, _ in taken), sum(e for _, e in taken)
        if q_in <= 0 or e_in <= 0:
            return
        # Gains of one instrument drop out of a ratio; what stays is when the steps happened.
        duration = max(row["discharge_s"], 1e-12)
        share = math.sqrt(2.0) * math.hypot(self.u_gap, self.u_time) / duration
        offset = self.instrument["voltage_offset_mV"] * 1e-3
        row["coulombic_efficiency_percent"] = 100.0 * q_out / q_in
        row["coulombic_efficiency_percent_se"] = 100.0 * q_out / q_in * share
        ratio = e_out / e_in
        # The charge gains at the bottom and loses at the top, the discharge the other way round.
        shift = 2.0 * self.shift_share
        row["efficiency_share_a"] = share  # where steps fall differs from cycle to cycle
        share_e = math.hypot(share, shift, offset * abs(q_out / e_out - q_in / e_in))
        row["energy_efficiency_percent"] = 100.0 * ratio
        row["energy_efficiency_percent_se"] = 100.0 * ratio * share_e

    def _may_be_held(self, row, own) -> bool:
        """Whether the cell stood at the charger's voltage, with a current that was not logged.

        At rest the voltage falls by the same drop at the end of the charge as at the discharge.
        """
        for charge, after in itertools.pairwise(own):
            if charge.kind != "charge" or after.kind not in ("rest", "hold"):
                continue
            fall = self.voltage[charge.stop - 1] - median(self.voltage[after.start : after.stop])
            if (row["drop_V"] or 0.0) > 2.0 * fall:
                return True
        return False

    def _charge_and_energy(self, segment: Segment) -> tuple[float, float]:
        """Charge and energy of a segment, positive inward; it begins at the sample before it.

        Within the gap before its first sample the current is that of the first sample, and the
        voltage runs as it goes on to run.
        """
        part = slice(segment.start, segment.stop)
        t, v, i = self.time[part], self.voltage[part], self.current[part]
        charge, energy = integral(t, i), integral(t, v * i)
        if segment.start > 0:
            gap = t[0] - self.time[segment.start - 1]
            ahead = max(2, min(len(t), 1 + len(t) // 50))
            span = t[ahead - 1] - t[0] if len(t) > 1 else 0.0
            slope = (v[ahead - 1] - v[0]) / span if span > 0 else 0.0
            charge += gap * i[0]
            energy += gap * i[0] * (v[0] - 0.5 * slope * gap)
        return float(charge), float(energy)

    def _flags(self, row, t, v, noise, height, upper) -> list[str]:
        flags = []
        if row["n_points"] < LEAST_POINTS:
            flags.append("too few points")
        elif is_curved(t, v, noise=noise, least_share=CURVED_SHARE):
            flags.append("not straight")
        charge, energy = row["capacitance_charge_F"], row["capacitance_energy_F"]
        if abs(charge - energy) > DISAGREE_SHARE * min(charge, energy):
            flags.append("charge and energy capacitance differ by over 10 %")
        if row["drop_V"] is not None and row["drop_V"] > DROP_SHARE * height:
            flags.append("drop over 20 % of the window")
        if row["drop_V"] is None:
            flags.append("no sample before the step")
        elif row["esr_ohm"] is None and row["current_step_mA"] is not None:
            flags.append("resistance not resolved")
        elif row["esr_ohm"] is not None and row["esr_ohm_se_b"] > SAMPLING_SHARE * row["esr_ohm"]:
            flags.append(ON_SAMPLING)
        if self._is_clipped():
            flags.append("clipped")
        top = float(self.voltage[max(self.here.start - 1, 0) : self.here.stop].max())
        if top > upper * (1.0 + OVER_SHARE):
            flags.append("above the stable window")
        if (row["coulombic_efficiency_percent"] or 100.0) < 90.0:
            flags.append("coulombic efficiency under 90 %")
        return flags

    def _is_clipped(self) -> bool:
        """Whether the voltage stands at one value while the charging current still flows."""
        if self.k == 0 or self.segments[self.k - 1].kind != "charge":
            return False
        s = self.segments[self.k - 1]
        v, i = self.voltage[s.start : s.stop], self.current[s.start : s.stop]
        top = v.max()
        if len(v) < 20 or v[-5:].min() < top:  # most end here
            return False
        at_top = v == top
        run = int(np.argmin(at_top[::-1])) if not at_top.all() else len(v)
        changes = int(np.count_nonzero(np.diff(v[: len(v) - run]))) + 1
        usual = max(1.0, (len(v) - run) / changes)
        return run >= 5 * usual and run >= 5 and i[-run:].min() > 0.9 * median(i)
