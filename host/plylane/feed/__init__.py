"""Feed that stays in step: calibration, lanes and joints. Nothing here does input or output."""
