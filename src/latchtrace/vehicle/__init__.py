"""Room 3, vehicle: reads vehicle files and turns signal tracks into lock events in the terms of the trade."""
