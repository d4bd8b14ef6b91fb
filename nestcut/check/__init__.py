"""The independent checker: does a plan keep every rule, and does its bound follow from its proof?"""

from nestcut._callable import make_callable
from nestcut.check.checker import check_file, check_plan
from nestcut.check.measures.report import RULES, Fault, Report
from nestcut.check.proof.proof import check_proof

__all__ = ["RULES", "Fault", "Report", "check_file", "check_plan", "check_proof"]

make_callable(__name__, target=("nestcut.check.checker", "check_plan"))
