"""What a person sees at a glance: drawings made as SVG text from what is known (pure)."""
