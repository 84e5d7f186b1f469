"""Feed that stays in step: calibration, lanes and joints."""
