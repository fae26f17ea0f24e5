"""Words the trade uses for what a build sheet calls by one name. They serve hints in errors only: a sheet keeps one name for one thing."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from ..errors import did_you_mean

__all__ = ["KEYS", "OUT_OF_SCOPE", "VALUES", "hint_for_key", "hint_for_value", "own_name"]

OUT_OF_SCOPE = {
    "boost": "boosted engines (manifold above exhaust) are out of scope",
    "turbo": "boosted engines (manifold above exhaust) are out of scope",
    "turbocharger": "boosted engines (manifold above exhaust) are out of scope",
    "supercharger": "boosted engines (manifold above exhaust) are out of scope",
    "phaser": "moving cam phasing is out of scope: give one fixed intake and one fixed exhaust position per build",
    "vvt": "moving cam phasing is out of scope: give one fixed intake and one fixed exhaust position per build",
    "distributor": "distributor and vacuum advance are out of scope: camcalc works on final spark",
    "vacuum_advance": "distributor and vacuum advance are out of scope: camcalc works on final spark",
    "carburettor": 'carburettor jetting is out of scope; say system = "carburettor" in [fuel] and the rest still works',
    "cold_start": "cold start and warm-up are out of scope: camcalc works on a warm engine",
    "warm_up": "cold start and warm-up are out of scope: camcalc works on a warm engine",
    "dashpot": "dashpot and idle-air learning are out of scope",
    "catalyst": "catalysts are out of scope",
    "spring": "valve springs are out of scope: check them with whoever made them",
    "nitrous": "boosted engines and added oxidiser are out of scope",
    "two_stroke": "only four-stroke engines are in scope",
    "diesel": "only spark-ignition engines are in scope",
}

# Words of the trade on the right, the sheet's own name on the left; common practice, no source.
_KEYS = {
    # sections
    "build": ("project", "car_name"),
    "cam": ("camshaft", "new_cam", "cams"),
    "replaced_cam": ("old_cam", "stock_cam", "standard_cam", "previous_cam", "factory_cam"),
    "engine": ("motor", "short_block", "block"),
    "vehicle": ("car", "truck", "chassis", "drivetrain", "driveline", "gearbox"),
    "site": ("weather", "place", "location", "ambient", "atmosphere"),
    "injector": ("injectors", "fuel_injector", "fuel_injectors", "injection"),
    "spark": ("ignition", "timing"),
    # cam card
    "lobe_separation": ("lsa", "lobe_separation_angle", "lobe_centre_angle", "lobe_center_angle", "lca", "separation"),
    "intake_centreline": ("icl", "intake_centerline", "intake_lobe_centreline", "intake_lobe_centerline", "inlet_centreline", "installed_centreline"),
    "exhaust_centreline": ("ecl", "exhaust_centerline", "exhaust_lobe_centreline", "exhaust_lobe_centerline"),
    "advance": ("ground_in_advance", "cam_advance", "installed_advance"),
    "rocker_ratio": ("rocker", "rockers", "ratio", "rocker_arm_ratio"),
    "tappet": ("lifter", "lifters", "follower", "lifter_type", "tappets"),
    "measured_at": ("checked_at", "checking_side"),
    "intake": ("inlet",),
    "exhaust": ("outlet",),
    "valve_lift": ("lift", "gross_lift", "max_lift", "gross_valve_lift"),
    "lobe_lift": ("cam_lift", "tappet_lift", "lifter_lift"),
    "duration": ("durations",),
    "opens": ("ivo", "evo", "opening", "open"),
    "closes": ("ivc", "evc", "closing", "close"),
    "lash": ("valve_lash", "clearance", "valve_clearance", "lash_hot", "hot_lash", "lash_cold", "cold_lash"),
    "max_lift_at": ("peak_lift_at", "nose"),
    "lift_table": ("lift_file", "lobe_table", "lift_curve"),
    # engine
    "cylinders": ("number_of_cylinders", "cyls", "cylinder_count"),
    "rod_length": ("rod", "conrod", "con_rod", "connecting_rod", "conrod_length", "con_rod_length"),
    "compression_ratio": ("cr", "compression", "static_compression", "scr"),
    "intake_valve_diameter": ("intake_valve", "intake_valve_size", "inlet_valve", "inlet_valve_diameter"),
    "exhaust_valve_diameter": ("exhaust_valve", "exhaust_valve_size"),
    "intake_valves": ("inlet_valves",),
    "intake_runner_volume": ("runner_volume", "port_volume", "intake_port_volume"),
    "plenum_volume": ("plenum", "manifold_volume"),
    "exhaust_back_pressure": ("back_pressure", "backpressure"),
    "rotating_inertia": ("flywheel_inertia", "flywheel", "inertia", "crank_inertia", "engine_inertia"),
    "accessory_power": ("accessories", "accessory_load"),
    "friction_factor": ("friction",),
    # idle
    "speed": ("idle_speed", "rpm", "idle_rpm", "idle"),
    "replaced_cam_speed": ("old_idle_speed", "stock_idle_speed", "old_speed"),
    "mixture": ("lambda", "idle_lambda"),
    # fuel and injector
    "kind": ("fuel", "fuel_type", "type"),
    "octane": ("ron", "aki", "mon", "octane_number", "octane_rating", "pump_octane"),
    "octane_sensitivity": ("sensitivity",),
    "system": ("injection_system", "fuel_system", "induction"),
    "flow": ("size", "rate", "flow_rate", "injector_flow", "injector_size", "static_flow"),
    "rated_pressure": ("test_pressure", "rating_pressure", "flow_pressure"),
    "fuel_pressure": ("rail_pressure", "fuel_rail_pressure", "line_pressure"),
    "dead_time": ("latency", "opening_time", "offset", "lag", "injector_latency"),
    # vehicle
    "transmission": ("gearbox_type", "trans"),
    "mass": ("weight", "kerb_weight", "curb_weight", "vehicle_mass", "vehicle_weight"),
    "tyre_radius": ("tyre", "tire", "tyre_size", "tire_size", "tire_radius", "wheel_radius", "rolling_radius"),
    "final_drive": ("axle_ratio", "rear_axle", "diff_ratio", "rear_end", "final_drive_ratio", "axle", "diff"),
    "gear_ratios": ("gears", "ratios", "gearing"),
    "drag_coefficient": ("cd", "drag"),
    "frontal_area": ("area",),
    "converter_stall_speed": ("stall", "stall_speed", "converter_stall"),
    "converter_stall_torque": ("stall_torque",),
    "driveline_lash": ("backlash", "driveline_backlash"),
    "road_speed_unit": ("speed_unit",),
    # site
    "altitude": ("elevation", "height", "altitude_above_sea_level"),
    "barometer": ("air_pressure", "baro", "atmospheric_pressure", "barometric_pressure", "ambient_pressure", "pressure"),
    "air_temperature": ("temperature", "ambient_temperature", "intake_air_temperature", "iat", "outside_temperature"),
}  # fmt: skip
KEYS: Mapping[str, tuple[str, ...]] = _KEYS
# What is no other word for a key, but can be turned into one.
_TURNED = {
    "displacement": "leave it out: it follows from bore, stroke and cylinders",
    "capacity": "leave it out: it follows from bore, stroke and cylinders",
    "retard": "write it as advance with a minus sign",
    "advertised_duration": 'write it under duration at its own checking height, e.g. "0.006 inch"',
    "seat_duration": 'write it under duration at its own checking height, e.g. "0.006 inch"',
    "duration_at_050": 'write it under duration as "0.050 inch"',
    "tyre_diameter": "halve it and write it as tyre_radius",
    "tire_diameter": "halve it and write it as tyre_radius",
    "valves": "write it as intake_valves and exhaust_valves: 2 and 2 for a four-valve head",
    "valves_per_cylinder": "write it as intake_valves and exhaust_valves: 2 and 2 for a four-valve head",
    "afr": "write it as mixture, over the stoichiometric ratio: 1.0 for stoichiometric",
}
_VALUES = {
    "clutch": ("manual", "stick", "stick shift", "manual gearbox", "manual transmission"),
    "converter": ("automatic", "auto", "torque converter", "automatic transmission", "slushbox"),
    "locked automatic": ("dual clutch", "dct", "automated manual", "lock-up"),
    "hydraulic": ("hydraulic roller", "hydraulic flat", "hydraulic flat tappet", "hydraulic bucket"),
    "solid": ("mechanical", "solid roller", "solid flat", "solid flat tappet", "mechanical roller", "solid bucket"),
    "tappet": ("lifter", "cam", "lobe", "follower", "cam follower"),
    "valve": ("at the valve", "retainer", "spring retainer"),
    "gasoline": ("petrol", "gas", "e0", "e5", "pump gas", "premium", "super", "regular", "unleaded", "race fuel"),
    "E85": ("ethanol", "flex fuel"),
    "sequential port": ("port", "mpi", "mpfi", "multipoint", "multi-point", "efi", "sefi", "sequential", "port injection"),
    "batch port": ("batch", "bank fire", "batch fire", "group fire"),
    "throttle body": ("tbi", "single point", "throttle body injection"),
    "carburettor": ("carb", "carburetor", "carbs", "carburetors", "carburettors"),
    "direct": ("gdi", "di", "direct injection"),
    "individual throttles": ("itb", "itbs", "individual throttle bodies", "throttle per cylinder"),
    "plenum": ("manifold", "single throttle", "common plenum"),
    "manifold referenced": ("vacuum referenced", "1:1", "map referenced", "referenced", "return"),
    "fixed": ("returnless", "unreferenced", "constant"),
    "km/h": ("kmh", "kph", "kilometres per hour", "metric"),
    "mph": ("miles per hour", "mi/h", "imperial"),
    "hot": ("warm",),
    "metric": ("si", "millimetres"),
    "imperial": ("us", "usa", "us customary", "english", "inch", "inches"),
}  # fmt: skip
VALUES: Mapping[str, tuple[str, ...]] = _VALUES


def _plain(word: str) -> str:
    return "_".join(word.lower().replace("-", " ").replace("_", " ").split())


_KEY_OF = {word: key for key, words in _KEYS.items() for word in words}
_VALUE_OF = {_plain(word): value for value, words in _VALUES.items() for word in words}


def own_name(word: str) -> str:
    """Return the sheet's own name for a word of the trade; any other word comes back as it is.

    >>> own_name("air_pressure"), own_name("bore")
    ('barometer', 'bore')
    """
    return _KEY_OF.get(_plain(word), word)


def hint_for_key(word: str, known: Iterable[str], elsewhere: Mapping[str, str] | None = None) -> str:
    """Return what a key that is not known here may have been meant for.

    Parameters
    ----------
    word : str
        The key as written.
    known : iterable of str
        The keys this section has.
    elsewhere : mapping, optional
        Keys of other sections, each with its section.

    Examples
    --------
    >>> hint_for_key("air_pressure", ["altitude", "barometer"])
    'it is called "barometer" here'
    >>> hint_for_key("octane", ["bore"], {"octane": "fuel"})
    'write it under [fuel]'
    """
    plain, names = _plain(word), list(known)
    own = _KEY_OF.get(plain, plain)
    found = OUT_OF_SCOPE.get(plain) or _TURNED.get(plain)
    if found:
        return found
    if own in names:
        return f'it is called "{own}" here'
    near = did_you_mean(word, names)
    there = (elsewhere or {}).get(own)
    if there and not near.startswith("did you mean"):
        return f"write it under [{there}]" + ("" if own == plain else f' as "{own}"')
    return near


def hint_for_value(word: str, choices: Iterable[str]) -> str:
    """Return which choice a word of the trade means.

    >>> hint_for_value("automatic", ("clutch", "locked automatic", "converter"))
    'did you mean "converter"?'
    """
    names = list(choices)
    own = _VALUE_OF.get(_plain(word))
    return f'did you mean "{own}"?' if own in names else did_you_mean(word, names)
