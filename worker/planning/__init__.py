"""How many parts to start so that enough are good, with which setup, and what that takes. It writes nothing.

A setup is a machine with a gas; where one is not asked for, the best is the one whose yield has the highest lower
limit. All figures rest on the past of the material (`expected_yield`), all ranges hold 90 %.

- Starts: see `stats.starts`; parts of a plate are as alike as those of the past, and where these do not tell it as
  UNTOLD_CORRELATION has it. A job with a bevel is planned from cuts with that bevel.
- Machine and rework minutes: starts x a rate of the past, its interval widened for how days differ (`amount`).
- Scrap: what is started and not good, x the share of such parts that were lost in the past, x the mass of a part.
- Cost: machine minutes, rework minutes and scrap at the site's rates; limits by MOVER (Zou GY, Donner A (2008),
  Statistics in Medicine 27, 1693-1702, from memory). Material of good parts is not in it.
"""
