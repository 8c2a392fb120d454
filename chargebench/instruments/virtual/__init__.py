"""A physical model of a bench that serves real bytes over real ports, with a file of the truth it used.

Owns everything that is made up. It stands in for the instruments only: whatever reads it goes through the same ports,
decoders and recorder as a real bench. Must not be imported by anything that computes a result.

What it imitates: leakage and bias (dq/dt = i + I_b − q/τ, integrated exactly), charge of both signs arriving with the
flow and in clumps, white noise, noise with memory, slow wander, mains hum sampled as it comes, touched cables, over
range, the zero switch, a lagging, shaking, rounding scale without a clock, retained grounds, run-to-run scatter, water
that takes charge away along a known curve and may carry over, damp air that dries, an ioniser whose ions land in the
cup, a charge board that answers commands and drops what nobody reads, or an electrometer that answers in SCPI, and
either of them switched off and on in mid-run.

What it does not imitate: charge that depends on mass other than in proportion, on humidity or on temperature;
particles by size; charged water drops; a bias current or leakage that changes with time or damp; dielectric
absorption; an electrometer's own bandwidth; a scale that drifts, creeps or feels draughts; device clocks that run
wrong; damaged bytes; a port that vanishes; baud rates; the kernel's exclusive mode.
"""

from chargebench.instruments.virtual.bench import VirtualBench
from chargebench.instruments.virtual.grind import GrindOrder
from chargebench.instruments.virtual.scenario import SCENARIOS, Coffee, DoseCurve, Grinder, Scenario

__all__ = ["SCENARIOS", "Coffee", "DoseCurve", "GrindOrder", "Grinder", "Scenario", "VirtualBench"]
