"""
Choosing the equipment: the least costly set whose ledger has no line over its ceiling, with growth.

A mixed-integer program proposes a set; the proposal becomes a changed plan, and the plan's own ledger judges it. A line that is
over becomes a cut, and the program is solved again. So the program may be generous, never strict: every set that the
ledger passes is a solution of the program, hence the first proposal that passes is the cheapest there is.
"""
