"""Find the ball grid arrays in a scan: layers of balls, their lattice, every site's place."""
