"""From a history to cells: whole numbers that add, by class, circumstances, age and type of system."""
