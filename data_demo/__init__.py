"""An invented landlord, Tarnwick Homes in the invented town of Tarnwick, to try the tool on."""
