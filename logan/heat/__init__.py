"""Heat in motor, inverter, coolant, cells and gear oil: fitted to drives, and forecast for roads not driven yet."""
