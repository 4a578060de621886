"""Independent model of an axis, the judge of the compiled one.

It is written from the equations of the blocks with its own state vector, derives every number
anew from the SI values of the parameter file, and is integrated by SciPy. It calls nothing of the
package.
"""

from reference.courses import course_of, plan_of
from reference.moves import Axis as ReferenceAxis
from reference.moves import Trace
from reference.numbers import numbers_of
from reference.rest import state_of_rest
from reference.steps import compiled_advance, scipy_advance

__all__ = [
    "ReferenceAxis",
    "Trace",
    "compiled_advance",
    "course_of",
    "numbers_of",
    "plan_of",
    "scipy_advance",
    "state_of_rest",
]
