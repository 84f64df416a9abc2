"""An invented icy night, played through the real parts."""
