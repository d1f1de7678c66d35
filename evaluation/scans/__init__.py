"""How good the image of a scan is: noise, edges, cupping, MTF."""
