"""How far apart, how deep inside, how much: measuring, with the error on the known side."""
