"""The independent checker: does a plan keep every rule, and does its bound follow from its proof?"""

from nestcut.checks.checker import check_file, check_plan
from nestcut.checks.measures.report import RULES, Fault, Report
from nestcut.checks.proof.verify import check_proof

__all__ = ["RULES", "Fault", "Report", "check_file", "check_plan", "check_proof"]
