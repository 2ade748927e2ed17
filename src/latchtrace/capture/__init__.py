"""Room 1, capture: reads captures of any format in bounded memory and lets through the frames that matter."""
