"""The night ahead as an ensemble: how likely a parked aircraft is frosted, by hour and part. Pure; uses numpy."""
