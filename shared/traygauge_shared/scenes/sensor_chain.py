"""From radiance to the pixels of a file: optics, filter mosaic, noise, a phone's processing, tone."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from traygauge_shared.light import linear_to_srgb
from traygauge_shared.scenes.setting import Sensor

Image = npt.NDArray[np.float32]

_FULL = 4095  # levels of the table that turns linear light to code values


def develop(
    radiance: Image, sensor: Sensor, white: npt.NDArray[np.float64], rng: np.random.Generator
) -> npt.NDArray[np.uint8]:
    """Return the picture, ndarray (height, width, 3), uint8 sRGB. Overwrites `radiance`.

    Parameters
    ----------
    radiance : ndarray (height, width, 3), float32, linear.
    white : (3,) radiance of white paper, which exposure and white balance aim at.
    """
    image = _vignetted(_blurred(radiance, sensor), sensor)
    gain = 0.72 * 2.0**sensor.exposure_stops / white * np.array(sensor.white_balance)
    image = _scaled(image, gain.astype(np.float32))
    if sensor.bayer:
        image = _mosaic(image, sensor, rng)
        image = _processed(image, sensor)
    else:
        np.clip(image, 0, 1, out=image)
        image += _noise_sd(image, sensor) * rng.standard_normal(image.shape, np.float32)
        image = _sharpened(image, sensor)
    return _toned(image, sensor)


def _scaled(image: Image, factor: npt.NDArray[np.float32]) -> Image:
    """Return the image, each channel multiplied by its factor. Overwrites `image`."""
    # whole rows at a time: a loop over three channels is too short for NumPy
    height, width = image.shape[:2]
    rows = image.reshape(height, width * 3)
    rows *= np.tile(factor, width)
    return rows.reshape(image.shape)


def _blurred(image: Image, sensor: Sensor) -> Image:
    def blurred(sigma: float) -> Image:
        return _gauss(image, sigma) if sigma > 0.15 else image

    if sensor.defocus_px == 0:
        return blurred(sensor.blur_px)
    # blends of a few strengths stand for a blur that grows steadily from the frame's middle
    height, width = image.shape[:2]
    away = np.radians(sensor.defocus_deg)
    y, x = np.mgrid[0:height:8, 0:width:8].astype(np.float32)
    off = ((x - width / 2) * np.cos(away) + (y - height / 2) * np.sin(away)) / (width / 2)
    sigma = np.sqrt(sensor.blur_px**2 + (sensor.defocus_px * off) ** 2)
    steps = np.linspace(sigma.min(), sigma.max(), 4)
    # a mix of two blurs has the variance of the mix: weights linear in variance
    place = np.interp(sigma**2, steps**2, np.arange(4)).astype(np.float32)
    place = cv2.resize(place, (width, height))
    out = np.zeros_like(image)
    for k, strength in enumerate(steps):
        weight = np.clip(1 - np.abs(place - k), 0, 1)
        out += blurred(float(strength)) * weight[..., None]
    return out


def _gauss(image: Image, sigma: float) -> Image:
    return np.asarray(cv2.GaussianBlur(image, (0, 0), sigma), np.float32)


def _vignetted(image: Image, sensor: Sensor) -> Image:
    if sensor.vignette:
        height, width = image.shape[:2]
        y, x = np.mgrid[0:height:8, 0:width:8].astype(np.float32)
        r2 = ((x - width / 2) ** 2 + (y - height / 2) ** 2) / (width**2 + height**2) * 4
        field = cv2.resize((1 / (1 + np.float32(sensor.vignette) * r2) ** 2), (width, height))
        for k in range(3):
            image[..., k] *= field
    return image


def _noise_sd(signal: Image, sensor: Sensor) -> Image:
    """Return each pixel's noise: shot noise of 6000 electrons at full scale, read noise of 0.12 %."""
    variance = np.maximum(signal, 0)
    variance *= np.float32(sensor.noise**2 / 6000)
    variance += np.float32((0.0012 * sensor.noise) ** 2)
    return np.sqrt(variance, out=variance)


def _mosaic(image: Image, sensor: Sensor, rng: np.random.Generator) -> Image:
    """Return the picture read through a colour filter mosaic and put together again."""
    balance = np.array([0.55, 1.0, 0.65], np.float32)  # red and blue sites get less light
    raw = np.empty(image.shape[:2], np.float32)
    for dy, dx, k in ((0, 0, 0), (0, 1, 1), (1, 0, 1), (1, 1, 2)):
        raw[dy::2, dx::2] = image[dy::2, dx::2, k] * balance[k]
    np.clip(raw, 0, 1, out=raw)
    raw += _noise_sd(raw, sensor) * rng.standard_normal(raw.shape, np.float32)
    coded = np.clip(raw * 60000 + 2000, 0, 65535).astype(np.uint16)
    full = cv2.cvtColor(coded, cv2.COLOR_BayerBG2RGB_EA).astype(np.float32)
    full -= 2000
    return _scaled(full, (1 / (60000 * balance)).astype(np.float32))


def _processed(image: Image, sensor: Sensor) -> Image:
    """Return what a phone makes of it: chroma smoothed, luma a little denoised and sharpened."""
    luma = cv2.transform(image, np.array([[0.25, 0.6, 0.15]], np.float32))
    chroma = _gauss(image - luma[..., None], 1.3)
    spread = 0.04 * min(max(sensor.noise, 0.3), 3)
    smooth: Image = np.asarray(cv2.bilateralFilter(luma, 5, spread, 1.0), np.float32)
    chroma += _sharpened(smooth, sensor)[..., None]
    return np.asarray(chroma)


def _sharpened(image: Image, sensor: Sensor) -> Image:
    if sensor.sharpen == 0:
        return image
    return np.asarray(image + np.float32(sensor.sharpen) * (image - _gauss(image, 1.4)))


def _toned(image: Image, sensor: Sensor) -> npt.NDArray[np.uint8]:
    code = linear_to_srgb(np.arange(_FULL + 1) / _FULL)
    code = (1 - sensor.tone) * code + sensor.tone * (3 * code**2 - 2 * code**3)
    table = np.zeros(1 << 16, np.uint8)  # a look-up by 16 bits is a whole one
    table[: _FULL + 1] = np.round(code * 255)
    level = np.clip(image, 0, 1)
    level *= _FULL
    level += 0.5
    return np.asarray(cv2.LUT(level.astype(np.uint16), table), np.uint8)
