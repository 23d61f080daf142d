"""formlab: few, telling trials for moulded rubber erasers."""
