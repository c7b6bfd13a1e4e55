"""What the counts of a library say, in one pass over the disk."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from calib.library.audit import Finding
from calib.library.description import split_spectrometers
from calib.library.store import Library
from calib.preprocess.despike import noise_level
from calib.preprocess.register import Register
from calib.preprocess.shots import RejectShots
from calib.preprocess.step import Acquisition

Floats = NDArray[np.floating]

SETTLED = 5
"""Leading shots that may differ because of dust."""

UNSTEADY = 0.5
"""Relative standard deviation of a burst's light from which its shots are called unsteady."""

REJECTED = 0.25
"""Share of shots unlike the others from which a burst is named."""

OFF_AXIS = 1.0
"""Channels by which lines may be off the axis."""

SAME = 1e-8
"""One minus the correlation below which two spectra are copies: far below photon noise."""


@dataclass
class _Seen:
    """What one pass collects."""

    lowest: Floats
    highest: Floats
    means: list[Floats] = field(default_factory=list)
    names: list[str] = field(default_factory=list)
    standards: list[str] = field(default_factory=list)
    hashes: dict[bytes, str] = field(default_factory=dict)
    copies: list[tuple[str, str]] = field(default_factory=list)
    peaks: list[tuple[float, int]] = field(default_factory=list)
    unsteady: list[tuple[str, str]] = field(default_factory=list)
    top: float = np.inf


def audit_spectra(library: Library) -> list[Finding]:
    """Look through the counts, darks and wavelength axis of a library.

    Returns
    -------
    list of Finding
        Codes: ``axis-stated``, ``axis-gap``, ``axis-drift``, ``dead-channel``, ``saturated``,
        ``copied-spectra``, ``shots-disagree``, ``dark-drift``, ``no-dark``.
    """
    seen = _walk(library)
    return [
        *_axis(library),
        *_dead(library, seen),
        *_saturated(seen),
        *_copies(seen),
        *_unsteady(seen),
        *_off_axis(library, seen),
        *_darks(library),
    ]


def _walk(library: Library) -> _Seen:
    channels = library.wavelength.size
    seen = _Seen(np.full(channels, np.inf), np.full(channels, -np.inf))
    order = np.argsort(library.bursts["first_row"].to_numpy(), kind="stable")
    for row, burst in library.walk(order.tolist()):
        name = str(library.bursts["burst"].iloc[row])
        np.minimum(seen.lowest, burst.min(axis=0), out=seen.lowest)
        np.maximum(seen.highest, burst.max(axis=0), out=seen.highest)
        if burst.dtype.kind in "iu":
            seen.top = float(np.iinfo(burst.dtype.name).max)
        peak = burst.max()
        seen.peaks.append((float(peak), int((burst == peak).sum())))
        digest = hashlib.sha256(np.ascontiguousarray(burst).tobytes()).digest()
        if digest in seen.hashes:
            seen.copies.append((name, seen.hashes[digest]))
        else:
            seen.hashes[digest] = name
            seen.means.append(burst.mean(axis=0, dtype=np.float64).astype(np.float32))
            seen.names.append(name)
            seen.standards.append(str(library.bursts["standard"].iloc[row]))
        dark = library.dark(int(library.bursts["dark"].iloc[row]))
        trouble = _disagreement(burst.astype(np.float64), dark, library.wavelength)
        if trouble:
            seen.unsteady.append((name, trouble))
    return seen


def _disagreement(burst: Floats, dark: Floats | None, axis: NDArray[np.float64]) -> str:
    """Say how the shots of a burst disagree, or nothing."""
    shots = burst[SETTLED:] if len(burst) > SETTLED + 3 else burst
    if len(shots) < 4:
        return ""
    shots = shots - dark if dark is not None else shots
    light = shots.mean(axis=1)
    if light.mean() > 0 and light.std(ddof=1) > UNSTEADY * light.mean():
        return f"light varies by {light.std(ddof=1) / light.mean():.0%} from shot to shot"
    kept = len(RejectShots().apply(shots, axis))
    lost = len(shots) - kept
    return (
        f"{lost} of {len(shots)} shots are unlike the others"
        if (lost > REJECTED * len(shots))
        else ""
    )


def _axis(library: Library) -> list[Finding]:
    out = []
    axis = library.wavelength
    for each, part in zip(
        library.description.spectrometers, library.description.slices(), strict=True
    ):
        own = axis[part]
        step = float(np.median(np.diff(own))) if own.size > 1 else 1.0
        off = max(abs(own[0] - each.first_nm), abs(own[-1] - each.last_nm))
        if off > step:
            out.append(
                Finding(
                    "axis-stated", "warning", f"library.toml, spectrometer {each.name}",
                    f"says {each.first_nm:g} to {each.last_nm:g} nm, spectra.zarr holds "
                    f"{own[0]:g} to {own[-1]:g} nm",
                    "correct first_nm and last_nm, or the axis",
                )
            )  # fmt: skip
        pieces = split_spectrometers(own)
        if len(pieces) > 1:
            out.append(
                Finding(
                    "axis-gap", "warning", f"library.toml, spectrometer {each.name}",
                    f"has a gap from {pieces[0].last_nm:g} to {pieces[1].first_nm:g} nm",
                    "describe it as two spectrometers, so that no step works across the gap",
                )
            )  # fmt: skip
    return out


def _dead(library: Library, seen: _Seen) -> list[Finding]:
    dead = np.flatnonzero(seen.lowest == seen.highest)
    if not dead.size or len(seen.peaks) < 2:
        return []
    return [
        Finding(
            "dead-channel", "warning", "spectra.zarr",
            f"{dead.size} channels never change (first at {library.wavelength[dead[0]]:.3f} nm)",
            "mask them in [preprocess] or ask what happened to the detector",
        )
    ]  # fmt: skip


def _saturated(seen: _Seen) -> list[Finding]:
    if not seen.peaks:
        return []
    top = max(peak for peak, _ in seen.peaks)
    times = sum(count for peak, count in seen.peaks if peak == top)
    if top < seen.top and (times < 5 or top <= 0):
        return []
    order = [i for i, (peak, _) in enumerate(seen.peaks) if peak == top]
    return [
        Finding(
            "saturated", "warning", "spectra.zarr",
            f"{len(order)} bursts reach the highest count of all, {top:g}, {times} times",
            "mask the strongest lines or shorten the gate",
        )
    ]  # fmt: skip


def _copies(seen: _Seen) -> list[Finding]:
    pairs = list(seen.copies)
    if len(seen.means) > 1:
        rows = np.stack(seen.means).astype(np.float64)
        rows -= rows.mean(axis=1, keepdims=True)
        length = np.sqrt((rows**2).sum(axis=1, keepdims=True))
        rows /= np.where(length > 0, length, 1)
        for start in range(0, len(rows), 256):
            near = rows[start : start + 256] @ rows.T > 1 - SAME
            for i, j in np.argwhere(near):
                if start + i > j:
                    pairs.append((seen.names[start + i], seen.names[j]))
    if not pairs:
        return []
    return [
        Finding(
            "copied-spectra", "warning", f"spectra.zarr, burst {one}",
            f"is burst {two} again, to the noise or to a factor",
            "remove one: a copy on both sides of a split flatters",
        )
        for one, two in pairs
    ]  # fmt: skip


def _unsteady(seen: _Seen) -> list[Finding]:
    if not seen.unsteady:
        return []
    name, trouble = seen.unsteady[0]
    more = f" (and {len(seen.unsteady) - 1} more bursts)" if len(seen.unsteady) > 1 else ""
    return [
        Finding(
            "shots-disagree", "warning", f"spectra.zarr, burst {name}", trouble + more,
            "look at the shots; set use aside for bursts that missed the target",
        )
    ]  # fmt: skip


def _off_axis(library: Library, seen: _Seen) -> list[Finding]:
    if library.description.signal != "emission" or not seen.means:
        return []
    found = Register(limit=3.0).drift(
        np.stack(seen.means).astype(np.float64), library.wavelength,
        Acquisition(library.description.slices()),
    )  # fmt: skip
    worst = np.nanmax(np.abs(found), axis=2, initial=0.0)
    out = []
    for part, each in enumerate(library.description.spectrometers):
        off = np.flatnonzero(worst[:, part] > OFF_AXIS)
        if off.size:
            at = int(off[np.argmax(worst[off, part])])
            out.append(
                Finding(
                    "axis-drift", "warning", f"spectra.zarr, burst {seen.names[at]}",
                    f"known lines in spectrometer {each.name} are {worst[at, part]:.1f} channels "
                    f"off the axis ({off.size} bursts by more than {OFF_AXIS:g})",
                    "keep the step 'register', or correct the wavelength axis",
                )
            )  # fmt: skip
    return out


def _darks(library: Library) -> list[Finding]:
    given = (library.bursts["dark"] >= 0).to_numpy()
    if not given.any():
        return []
    out = []
    if not given.all():
        name = library.bursts["burst"].iloc[int(np.flatnonzero(~given)[0])]
        out.append(
            Finding(
                "no-dark", "warning", f"bursts.csv, burst {name}",
                f"{int((~given).sum())} of {given.size} bursts have no dark, the others have",
                "name a dark for each, or their counts stand on another level",
            )
        )  # fmt: skip
    indices = np.unique(library.bursts["dark"].to_numpy()[given])
    darks = np.stack([np.asarray(library.dark(int(i)), dtype=np.float64) for i in indices])
    for each, part in zip(
        library.description.spectrometers, library.description.slices(), strict=True
    ):
        level = np.median(darks[:, part], axis=1)
        noise = float(np.median(noise_level(darks[:, part])))
        if len(level) > 1 and np.ptp(level) > max(noise, 1e-9 * abs(float(level.mean()))):
            out.append(
                Finding(
                    "dark-drift", "note", f"spectra.zarr, darks of spectrometer {each.name}",
                    f"median dark moves by {np.ptp(level):.3g} counts over {len(level)} darks "
                    f"(noise {noise:.2g})",
                    "shoot darks often; step 'dark' with by = 'interpolated' follows them",
                )
            )  # fmt: skip
    return out
