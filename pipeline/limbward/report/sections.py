"""The sections on exposures, registration and merge."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from limbward.report import charts
from limbward.report.coverage import frames_at, thin_places
from limbward.report.material import Coverage, Frame, Material, Numbered
from limbward.report.profile import MeanCorona, Profile, fit_mean_corona, radial_profile
from limbward.report.section import Plot, Section
from limbward.report.static import plot
from limbward.report.wording import counted, exposure_text, listed


def coverage_section(coverage: Coverage | None) -> Section:
    """Return which exposures are good where."""
    if coverage is None:
        return Section(["There is no merge, so the exposures cannot be judged."])
    count = frames_at(coverage)
    thin = thin_places(coverage)
    begin, end = coverage.edges[0], coverage.edges[-1]
    sentences = [
        "A frame is well exposed at a distance from the Sun if less than 5 % of that ring is "
        "saturated and the signal per pixel is at least ten times the noise."
    ]
    if thin:
        places = " and ".join(f"{a:.2f} to {b:.2f}" for a, b, _ in thin)
        sentences.append(f"Fewer than 3 frames are well exposed from {places} solar radii.")
    else:
        sentences.append(
            f"From {begin:.2f} to {end:.2f} solar radii at least {count.min()} frames are well "
            "exposed everywhere."
        )
    bars = "; ".join(
        f"{exposure_text(r.exposure_s)} from {coverage.edges[:-1][r.good].min():.2f} to "
        f"{coverage.edges[1:][r.good].max():.2f}"
        for r in coverage.reaches
        if r.good.any()
    )
    alt = f"Distances that each exposure time covers, in solar radii: {bars or 'none'}."
    drawn = plot(charts.coverage_charts(coverage, alt), "coverage", alt, wide=True)
    return Section(sentences, [drawn])


def registration_section(material: Material) -> Section:
    """Return where Sun and Moon were, camera by camera."""
    frames = material.frames
    found = [f for f in frames if math.isfinite(f.sun_x) or math.isfinite(f.moon_x)]
    if not found:
        return Section(["Neither Sun nor Moon was located in any frame."])
    sentences = []
    pointings = {_full_name(p): p for p in material.pointings}
    drawn: list[Plot] = []
    for k, camera in enumerate(sorted({f.camera for f in found})):
        numbered = {i: f for i, f in enumerate(frames) if f.camera == camera}
        placed = sum(f.camera == camera for f in found)
        text = f"{camera}: Sun or Moon located in {counted(placed, 'frame')}."
        p = pointings.get(camera)
        if p:
            text += (
                f" A pixel is {p['pixel_scale_arcsec']:.3f} arcsec; the image's upward direction "
                f"lies at position angle {p['up_position_angle']:.2f}°."
            )
            if p["field_rotation_deg_per_hour"]:
                text += f" The field turned {p['field_rotation_deg_per_hour']:.1f}° per hour."
            if lean := p.get("head_lean_deg"):
                text += f" The mount's head was {np.hypot(*lean):.1f}° from level."
            if grown := p.get("distortion"):
                text += (
                    f" The lens draws the corner of the frame {100 * grown:+.2f} ± "
                    f"{100 * p['distortion_sigma']:.2f} % further from the middle than it should, "
                    f"told by {p['distortion_source']}; positions and merge are corrected for it."
                )
        sentences.append(text)
        drawn += _registration_plots(numbered, camera, k)
    return Section(sentences, drawn)


def _registration_plots(numbered: Numbered, camera: str, k: int) -> list[Plot]:
    """Return the plots of a camera's frames; ``k`` makes their names their own."""
    suns = {i: f for i, f in numbered.items() if math.isfinite(f.sun_x)}
    limbs = {i: f for i, f in numbered.items() if f.limb_sigma > 0 and f.exposure_s > 0}
    alt = f"Centres of Sun and Moon on the sensor of {camera}."
    if suns:
        spread = [np.ptp([getattr(f, name) for f in suns.values()]) for name in ("sun_x", "sun_y")]
        alt += f" The Sun's ranged over {spread[0]:.0f} by {spread[1]:.0f} px."
    drawn = [
        plot(
            [charts.path_chart(numbered, alt)],
            f"paths{k}",
            alt,
            f"{camera}: paths over the sensor, with the Sun's disc.",
        )
    ]
    if suns:
        alt = f"The Sun's centre on the sensor of {camera}, on a scale of its own."
        drawn.append(
            plot(
                [charts.sun_chart(suns, alt)],
                f"sun{k}",
                alt,
                f"{camera}: how steadily the Sun was held, frame by frame.",
            )
        )
    if limbs:
        sigmas = [f.limb_sigma for f in limbs.values()]
        alt = (
            f"Uncertainty of the limb against exposure for {camera}, from {min(sigmas):.3f} "
            f"to {max(sigmas):.3f} px."
        )
        drawn.append(
            plot(
                [charts.limb_chart(limbs, alt)],
                f"limb{k}",
                alt,
                f"{camera}: how well the limb was measured.",
            )
        )
    return drawn


def _full_name(camera: Any) -> str:
    return f"{camera['camera']} ({camera['serial']})" if camera["serial"] else camera["camera"]


def left_out(frames: Sequence[Frame]) -> list[tuple[str, int, str]]:
    """Return why frames of totality were not merged: reason, how many, which."""
    reasons: dict[str, list[str]] = {}
    for frame in frames:
        if frame.phase == "totality" and not frame.used:
            reasons.setdefault(frame.note or "no reason is recorded", []).append(frame.name)
    return [(reason, len(names), listed(names, 12)) for reason, names in reasons.items()]


def merge_section(material: Material) -> Section:
    """Return how good the merge is."""
    corona = material.corona
    if corona is None:
        return Section(["There is no merged corona."])
    sentences = [
        f"{counted(corona.frames, 'frame')} were merged, {corona.exposure_s:.3g} s of exposure in "
        "total."
    ]
    if not corona.linear:
        sentences.append(
            "They are display-referred (made for looking at, not linear), decoded with the curve "
            "that they declare or that their brackets give: what follows is not a measurement."
        )
    sentences += [noise_sentence(model) for model in material.noise]
    if material.noise:
        sentences.append(sky_sentence(material.sky))
    relative, drawn = _relative(material.frames)
    sentences += relative
    profile = radial_profile(corona)
    if not profile.rho.size:
        sentences.append("No ring around the Sun holds enough pixels for a profile.")
        return Section(sentences, drawn)
    fitted = fit_mean_corona(profile)
    if fitted is not None:
        sentences.append(
            "Between 1.1 and 3 solar radii its brightness follows the published mean corona "
            f"(Baumbach 1937) within {100 * fitted.deviation:.0f} % (root mean square). The "
            "height of the curve and an even sky are fitted, so only the shape is tested; real "
            "coronae vary with the solar cycle."
        )
    inner = int(abs(profile.rho - 1.5).argmin())
    sentences.append(
        f"At {profile.rho[inner]:.2f} solar radii the noise per pixel is "
        f"{100 * profile.noise[inner]:.2g} % of the corona, with {profile.count[inner]:.0f} frames."
    )
    return Section(sentences, [*_profile_plots(profile, fitted), *drawn])


def noise_sentence(model: Mapping[str, Any]) -> str:
    """Return a camera's noise at one ISO, where it is known from, and how far it is linear."""
    text = (
        f"At ISO {model['iso']:.0f} the camera has {model['gain_electrons_per_adu']:.3g} "
        f"electrons per ADU and {model['read_noise_electrons']:.3g} electrons of read noise "
        f"({model['read_noise_adu']:.3g} ADU), {model['origin']}."
    )
    linear = [float(v) for v in model.get("linear_up_to", [])]
    if linear:
        parts = [f"{100 * v:.0f}" for v in linear]
        up_to = f"{parts[0]} %"
        if len(set(parts)) > 1:
            up_to = f"{parts[0]}, {parts[1]} and {parts[2]} % (red, green, blue)"
        text += f" Frames were used up to {up_to} of the range between black and white."
    return text


def sky_sentence(sky: Sequence[float] | None) -> str:
    """Return whether the sky was taken off, and how bright it was."""
    if sky is None:
        return "The sky's brightness is still in the merge."
    levels = ", ".join(f"{v:.3g}" for v in sky)
    return f"A sky of {levels} ADU/s (red, green, blue) was subtracted from the merge."


def _relative(frames: Sequence[Frame]) -> tuple[list[str], list[Plot]]:
    """Return how the exposures found differ from the camera's."""
    known = {i: f for i, f in enumerate(frames) if f.time and math.isfinite(f.relative_exposure)}
    if not known:
        return [], []
    percent = [100.0 * (f.relative_exposure - 1.0) for f in known.values()]
    span = f"{min(percent):+.1f} to {max(percent):+.1f} %".replace("-", "−")
    sentence = (
        f"The frames' brightness is off by {span} from what their exposures say. An offset that "
        "stays the same at each setting is the shutter's, and is usual; a slow dip is thin cloud."
    )
    alt = (
        f"Brightness of {counted(len(known), 'frame')} relative to nominal exposure against time, "
        f"from {min(percent):+.1f} to {max(percent):+.1f} %."
    )
    chart = charts.relative_chart(known, alt)
    caption = "Brightness of each frame relative to its nominal exposure."
    return [sentence], [plot([chart], "relative", alt, caption)]


def _profile_plots(profile: Profile, fitted: MeanCorona | None) -> list[Plot]:
    alt = (
        f"Brightness from {profile.rho[0]:.2f} to {profile.rho[-1]:.2f} solar radii, falling by a "
        f"factor of {profile.median[0] / profile.median[-1]:.0f}"
        + (", beside the mean corona." if fitted else ".")
    )
    noise_alt = (
        f"Noise per pixel by distance, {100 * profile.noise.min():.2g} to "
        f"{100 * profile.noise.max():.2g} %."
    )
    count_alt = (
        f"Frames per pixel by distance, {profile.count.min():.0f} to {profile.count.max():.0f}."
    )
    return [
        plot(
            [charts.profile_chart(profile, fitted, alt)], "profile", alt, "Green light.", wide=True
        ),
        plot([charts.noise_chart(profile, noise_alt)], "noise", noise_alt, "Noise of the merge."),
        plot([charts.count_chart(profile, count_alt)], "count", count_alt, "Frames in the merge."),
    ]


def tone_section(tone: Mapping[str, Any]) -> Section:
    """Return the tone curve of the finished picture, and how to go back."""
    dark, bright, soft = (float(tone[name]) for name in ("dark", "bright", "soft"))
    floor, ceiling = float(tone["floor"]), float(tone["ceiling"])
    # Black may lie below nothing, where the noise about a subtracted sky is; a logarithm may not.
    luminance = np.geomspace(max(dark, 0.0) + 0.05 * soft, bright, 120)
    span = (ceiling - floor) / np.arcsinh((bright - dark) / soft)
    lightness = floor + span * np.arcsinh((luminance - dark) / soft)
    values = ", ".join(f"{k} = {tone[k]:.6g}" for k in ("dark", "soft", "bright", "floor"))
    sentences = [
        f"From luminance Y (ADU/s) to lightness L (CIE L* / 100): {tone['curve']}.",
        f"And back: {tone['inverse']}.",
        f"Here {values} and ceiling = {ceiling:.6g}; pictures/tone.json has all digits and the "
        "white balance. Detail that a filter added comes on top of the curve.",
    ]
    alt = (
        f"Lightness rises from {100 * lightness[0]:.0f} at {luminance[0]:.3g} ADU/s to "
        f"{100 * lightness[-1]:.0f} at {bright:.3g} ADU/s, slower and slower."
    )
    chart = charts.tone_chart(luminance, lightness, alt)
    return Section(sentences, [plot([chart], "tone", alt, "The tone curve.")])
