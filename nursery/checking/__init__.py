"""Do the books of a nursery's database hold? Read with plain SQL; no code of the services is used.

What a service got wrong, its own code would get wrong again: so these rules are written a second
time, from what the tables have to say, and import nothing else of the project.
"""

from nursery.checking.run import RULES, Checked, check_database
from nursery.checking.snapshot import Wrong

__all__ = ["RULES", "Checked", "Wrong", "check_database"]
