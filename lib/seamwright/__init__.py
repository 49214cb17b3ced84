"""Seamwright takes a sculpted figure apart into printable, keyed pieces.

Read the list of modules as the way through: figure, inspection, mend, section, seam,
parting, interface, joint, imprint, fit, checks, job, run.
"""

__version__ = "0.1.0"
