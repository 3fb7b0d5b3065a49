"""Registers to kilograms, by a second way: pymodbus reads, this file decodes, CoolProp weighs.

Shares nothing with Coldledger but the plant description and published definitions. Prints JSON:
every channel's value in its unit, every vessel's mass and density.

    independent.py PLANT_DIRECTORY helium_ii_saturated.csv
"""

import csv
import json
import math
import re
import struct
import sys
import tomllib
from pathlib import Path

import CoolProp
import numpy as np
from pymodbus.client import ModbusTcpClient

# ---- The description ----------------------------------------------------------------------------


def description(directory):
    whole = {}
    for path in sorted(directory.glob("*.toml")):
        for key, value in tomllib.loads(path.read_text()).items():
            if isinstance(value, list):
                whole.setdefault(key, []).extend(value)
            else:
                whole.setdefault(key, {}).update(value)
    return whole


FACTORS = {
    "mm": 1e-3, "m": 1.0, "L": 1e-3, "m3": 1.0,
    "Pa": 1.0, "mbar": 100.0, "bar": 1e5,
    "K": 1.0, "degC": 1.0, "ohm": 1.0,
    "V": 1.0, "uV": 1e-6, "nV": 1e-9, "A": 1.0, "uA": 1e-6,
    "kg": 1.0, "g/s": 1e-3, "%": 1e-2, "Hz": 1.0, "code": 1.0,
}


def factor(unit):
    return FACTORS[re.sub(r"\([ag]\)$", "", unit)]


def si(text):
    """The value of "50 m3 ± 0.1 m3", without its uncertainty."""
    number, unit = text.split("±")[0].split()
    return float(number) * factor(unit) + (273.15 if unit == "degC" else 0.0)


# ---- Registers to values ------------------------------------------------------------------------

FORMATS = {"u16": "H", "i16": "h", "u32": "I", "i32": "i", "f32": "f",
           "u64": "Q", "i64": "q", "f64": "d"}


def width(channel):
    return struct.calcsize(">" + FORMATS[channel["format"]]) // 2


def decode(words, channel):
    if channel.get("word-order", "high-first") == "low-first":
        words = words[::-1]
    raw = struct.pack(f">{len(words)}H", *words)
    return struct.unpack(">" + FORMATS[channel["format"]], raw)[0]


def pchip(points):
    """Fritsch and Carlson 1980: slopes of the parabola through three points, limited to the circle
    of radius 3."""
    x, y = np.array(sorted(points)).T
    h, s = np.diff(x), np.diff(y) / np.diff(x)
    d = np.empty(len(x))
    d[1:-1] = (h[1:] * s[:-1] + h[:-1] * s[1:]) / (h[:-1] + h[1:])
    d[0] = ((2 * h[0] + h[1]) * s[0] - h[0] * s[1]) / (h[0] + h[1])
    d[-1] = ((2 * h[-1] + h[-2]) * s[-1] - h[-1] * s[-2]) / (h[-1] + h[-2])
    for i, slope in enumerate(s):
        for j in (i, i + 1):
            if d[j] * slope <= 0:
                d[j] = 0.0
        radius = math.hypot(d[i] / slope, d[i + 1] / slope)
        if radius > 3:
            d[i] *= 3 / radius
            d[i + 1] *= 3 / radius

    def value(at):
        i = min(max(int(np.searchsorted(x, at)) - 1, 0), len(h) - 1)
        t = (at - x[i]) / h[i]
        return (y[i] * (1 + 2 * t) * (1 - t) ** 2 + y[i + 1] * t * t * (3 - 2 * t)
                + h[i] * (d[i] * t * (1 - t) ** 2 + d[i + 1] * t * t * (t - 1)))

    return value


def table(path):
    lines = path.read_text().splitlines()
    head = dict(line[1:].strip().split(": ", 1) for line in lines
                if re.match(r"# [a-z-]+: ", line))
    rows = csv.reader(line for line in lines if not line.startswith("#"))
    next(rows)
    points = [(float(a), float(b)) for a, b in rows]
    if head["interpolation"] == "monotone-cubic":
        return pchip(points)
    inner = pchip([(math.log(a), math.log(b)) for a, b in points])
    return lambda signal: math.exp(inner(math.log(signal)))


def chebyshev(path):
    spec = tomllib.loads(path.read_text())
    assert spec["variable"] == "log10" and spec["output-unit"] == "K"

    def value(signal):
        z = math.log10(signal)
        for part in spec["range"]:
            low, high = part["low"], part["high"]
            if low <= z <= high:
                k = ((z - low) - (high - z)) / (high - low)
                return math.fsum(c * math.cos(i * math.acos(k))
                                 for i, c in enumerate(part["coefficients"]))
        raise ValueError(f"{signal} lies outside {path}")

    return value


def pt100(ohm):
    """IEC 60751, inverted by bisection."""
    low, high = -200.0, 850.0
    for _ in range(200):
        t = (low + high) / 2
        r = 100 * (1 + 3.9083e-3 * t - 5.775e-7 * t * t
                   - (4.183e-12 * (t - 100) * t ** 3 if t < 0 else 0))
        low, high = (t, high) if r < ohm else (low, t)
    return low + 273.15


def curve(directory, name, known={"pt100": pt100}):
    if name not in known:
        path = directory / "curves" / f"{name}.csv"
        known[name] = (table(path) if path.exists()
                       else chebyshev(directory / "curves" / f"{name}.toml"))
    return known[name]


def value(directory, channel, words):
    signal = decode(words, channel) * si(channel["scale"])
    if "offset" in channel:
        signal += si(channel["offset"])
    if "current-loop" in channel:
        low, high = (si(channel["current-loop"][end]) for end in ("at-4-ma", "at-20-ma"))
        signal = low + (signal - 4e-3) / 16e-3 * (high - low)
    if "curve" in channel:
        signal = curve(directory, channel["curve"])(signal)
    if "cut-off" in channel and signal < si(channel["cut-off"]):
        signal = 0.0
    return signal


def read_all(directory, plant):
    devices = {}
    for device in plant["device"]:
        host, port = device["tcp"].split(":")
        client = ModbusTcpClient(host, port=int(port))
        assert client.connect(), device
        devices[device["id"]] = (client, device["unit-id"])
    channels, values = {}, {}
    for own in plant["channel"]:
        channel = {**plant["instrument"].get(own.get("instrument"), {}), **own}
        client, unit = devices[channel["device"]]
        kind, address = channel["register"].split()
        read = {"holding": client.read_holding_registers,
                "input": client.read_input_registers}[kind]
        answer = read(int(address), count=width(channel), device_id=unit)
        assert not answer.isError(), (channel["id"], answer)
        channels[channel["id"]] = channel
        values[channel["id"]] = value(directory, channel, answer.registers)
    for client, _ in devices.values():
        client.close()
    return channels, values


# ---- Values to kilograms ------------------------------------------------------------------------

HELIUM = CoolProp.AbstractState("HEOS", "Helium")
R_HELIUM = 8.31446261815324 / 4.002602e-3
LAMBDA = 2.1768
GRAVITY = 9.80665


def density(t, p, phase=None):
    if phase is not None:
        HELIUM.specify_phase(phase)
    HELIUM.update(CoolProp.PT_INPUTS, p, t)
    rho = HELIUM.rhomass()
    HELIUM.unspecify_phase()
    return rho


def saturated(p, quality):
    HELIUM.update(CoolProp.PQ_INPUTS, p, quality)
    return HELIUM.rhomass()


def helium_ii(path, t):
    rows = csv.DictReader(line for line in path.read_text().splitlines()
                          if not line.startswith("#"))
    known = [(float(row["T_K"]), float(row["rho_liquid_kg_m3"])) for row in rows]
    near = sorted(sorted(known, key=lambda row: abs(row[0] - t))[:4])
    total = 0.0
    for i, (ti, rho) in enumerate(near):
        weight = math.prod((t - tj) / (ti - tj) for j, (tj, _) in enumerate(near) if j != i)
        total += weight * rho
    return total


def strapping(shape):
    """Volume below a height, with the least and greatest height."""
    if "table" in shape:
        points = [(si(a), si(b)) for a, b in shape["table"]]
        return pchip(points), points[0][0], points[-1][0]
    assert shape["form"] == "vertical-cylinder"
    r, length = si(shape["diameter"]) / 2, si(shape["length"])
    depth = {"flat": 0.0, "ellipsoidal-2-1": r / 2}[shape["heads"]]

    def head(z):
        return math.pi * r * r * (z * z / depth - z ** 3 / (3 * depth * depth)) if depth else 0.0

    def volume(z):
        whole = head(depth)
        if z < depth:
            return head(z)
        if z <= depth + length:
            return whole + math.pi * r * r * (z - depth)
        return 2 * whole + math.pi * r * r * length - head(2 * depth + length - z)

    return volume, 0.0, 2 * depth + length


class Reckoning:
    def __init__(self, plant, channels, values, helium_ii_table):
        self.plant, self.channels, self.values = plant, channels, values
        self.helium_ii_table = helium_ii_table

    def pressure(self, name):
        if self.channels[name]["quantity"] == "gauge-pressure":
            return self.values[name] + self.values[self.plant["site"]["barometer"]]
        return self.values[name]

    def stated_or_read(self, text):
        return self.values[text] if text in self.values else si(text)

    def gas(self, keys, pressure):
        rho = density(self.stated_or_read(keys["temperature"]), pressure)
        return rho * (self.stated_or_read(keys["purity"]) if "purity" in keys else 1.0)

    def vessel(self, vessel):
        mode = self.mode(vessel)
        holdup = si(mode["holdup"]) if "holdup" in mode else 0.0
        result = {"mass_kg": holdup, "density_kg_m3": None, "helium_ii": False}
        if mode.get("counts-contents", True):
            if "fluid" in vessel:
                keys = vessel["fluid"]
                rho = self.gas(keys, self.pressure(keys["pressure"]))
                result["mass_kg"] += si(keys["volume"]) * rho
            elif "bag" in vessel:
                keys = vessel["bag"]
                air = self.values[self.plant["site"]["barometer"]]
                rho = self.gas(keys, air + si(keys["overpressure"]))
                result["mass_kg"] += self.values[keys["volume"]] * rho
            elif "bath" in vessel:
                rho, mass, superfluid = self.bath(vessel["bath"])
                result["mass_kg"] += mass
                result["helium_ii"] = superfluid
            else:
                assert vessel["unmeasured"]
                rho = None
            result["density_kg_m3"] = rho
        return result

    def mode(self, vessel):
        modes = vessel.get("mode", [])
        if not modes:
            return {}
        wanted = vessel.get("first-mode", modes[0]["id"])
        if "mode-from" in vessel:
            source = vessel["mode-from"]
            wanted = source["codes"][str(round(self.values[source["channel"]]))]
        return next(mode for mode in modes if mode["id"] == wanted)

    def bath(self, bath):
        p = self.pressure(bath["pressure"])
        superfluid = False
        t = None
        if bath.get("liquid", "saturated") == "saturated":
            liquid = saturated(p, 0)
        else:
            assert bath["liquid"] == "pumped"
            t = self.stated_or_read(bath["liquid-temperature"])
            superfluid = t < LAMBDA
            assert superfluid, "the plant is held with its test bath below the lambda line"
            liquid = helium_ii(self.helium_ii_table, t)
        if bath.get("vapour", "saturated") == "superheated":
            vapour = density(self.stated_or_read(bath["vapour-temperature"]), p,
                             CoolProp.iphase_gas)
        elif superfluid:
            vapour = p / (R_HELIUM * t)
        else:
            vapour = saturated(p, 1)
        volume, low, high = strapping(bath["shape"])
        level = bath["level"]
        if "height" in level:
            z = si(level["bottom"]) + self.values[level["height"]]
        else:
            bottom, top = si(level["bottom-tap"]), si(level["top-tap"])
            weight = self.values[level["pressure-difference"]] / GRAVITY
            z = bottom + (weight - vapour * (top - bottom)) / (liquid - vapour)
        z = min(max(z, low), high)
        filled = volume(z)
        return liquid, filled * liquid + (volume(high) - filled) * vapour, superfluid


def main():
    directory, helium_ii_table = Path(sys.argv[1]), Path(sys.argv[2])
    plant = description(directory)
    channels, values = read_all(directory, plant)
    reckoning = Reckoning(plant, channels, values, helium_ii_table)
    shown = {}
    for name, channel in channels.items():
        unit = channel["unit"]
        shown[name] = (values[name] - (273.15 if unit == "degC" else 0.0)) / factor(unit)
    vessels = {vessel["id"]: reckoning.vessel(vessel) for vessel in plant["vessel"]}
    json.dump({"channels": shown, "vessels": vessels}, sys.stdout)


main()
