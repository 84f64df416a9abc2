"""Text or XML in, Observation and Forecast out. Pure."""
