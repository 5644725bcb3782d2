"""A verdict that is no straight line, tried beside today's: not yet asked by any command.

``verdict_of_any_shape.py`` decides between cycles and age for a line, a logarithm, a bend, a step
and kinds that differ; ``storage_compared.py`` compares refrigerated with frozen with cycles in the
model; ``linear_mixed.py`` is for times among finds. Measured on simulated units (24 sources, 1,200
trials; ``run.py`` does it again), some of them by earlier states of these files:

- no effect: a change called in 10 of 160 units; strong sources used more, no effect: in none of 30;
  sources that differ in slope, mean 0: 3 of 20; memory of sources: none of 10;
- a step of -1.5 at 10 cycles: named cycles in 28 of 36, age alone in none;
- cycles only, -0.10 a cycle: cycles in 12 of 12; -0.06 a cycle: 8 of 12, where today's verdict says
  cycles in 10; age only: age in 9 of 12, today's in all 12;
- two kinds fall by -0.13 a cycle: cycles in 8 of 16.

What keeps it from taking the place of today's: it names a straight line less often, and in small
units "cannot be told apart" stands where the line is plain.
"""
