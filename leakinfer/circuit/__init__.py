"""The cooling system as the trade sees it: sites, zones, sections, repair units, and the pressure at each."""
