"""From work orders as firms have them to the history format, by a mapping that the analyst edits."""
