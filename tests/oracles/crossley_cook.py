"""A published torque polynomial of one four-cylinder engine, for the shape of torque over spark.

Crossley & Cook 1991, IEE Control 91, conference publication 332, pp. 921-925; coefficients read in two independent places that
agree. Torque in N m, charge g per cylinder and cycle, speed of the crank rad/s, spark crank degrees before top dead centre.
"""

AIR_FUEL = 14.6


def torque(charge: float, speed: float, spark: float, air_fuel: float = AIR_FUEL) -> float:
    """Engine torque [N m]."""
    return (
        -181.3
        + 379.36 * charge
        + 21.91 * air_fuel
        - 0.85 * air_fuel**2
        + 0.26 * spark
        - 0.0028 * spark**2
        + 0.027 * speed
        - 0.000107 * speed**2
        + 0.00048 * speed * spark
        + 2.55 * spark * charge
        - 0.05 * spark**2 * charge
    )


def torque_slope(charge: float, speed: float, spark: float) -> float:
    """Change of torque with spark [N m per crank degree]."""
    return 0.26 - 0.0056 * spark + 0.00048 * speed + 2.55 * charge - 0.1 * spark * charge


def best_spark(charge: float, speed: float) -> float:
    """Spark of greatest torque [crank deg], where the slope is zero."""
    return (0.26 + 0.00048 * speed + 2.55 * charge) / (0.0056 + 0.1 * charge)


def curvature(charge: float, speed: float) -> float:
    """k of torque = best (1 - k offset^2) [1/crank deg^2]."""
    return (0.0028 + 0.05 * charge) / torque(charge, speed, best_spark(charge, speed))
