"""The treatment of an aircraft: holdover, fluids, procedures, plan and protection. Pure: files arrive as text."""
