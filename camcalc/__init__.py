"""camcalc: from a cam card and a build sheet to a first-fire brief, on real physics with every unit checked."""
