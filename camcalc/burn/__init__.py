"""The burn: laminar flame speed, burn angles, heat release, and how steady it is from cycle to cycle."""
