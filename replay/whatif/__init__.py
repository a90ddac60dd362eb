"""What another calibration would have meant: vehicle files, the flight model and its sample flights, reconcile, re-fly."""
