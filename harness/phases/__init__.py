"""The phases of a run, each a pure state machine: gathering, calibration, settling, stepping."""
