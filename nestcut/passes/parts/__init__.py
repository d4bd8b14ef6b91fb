"""Which parts of paper do these cuts take, and how do the parts lie in the scraps?"""
