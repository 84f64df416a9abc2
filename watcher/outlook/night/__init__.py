"""The night ahead as an ensemble: the chance that a parked aircraft is frosted, by hour and by part. Pure; uses numpy."""
