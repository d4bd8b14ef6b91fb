"""The evening as it goes: what happened, what is cut by now, and how to go on.

log = EventLog("out/evening.db", plan)
log.append(Event("9f…", "done", {"pass": 1}))      # on the disk when this returns; the same id counts once
state = reckon(plan, log.events())                 # pure: plan and events → state
rest = go_on(plan, state, seconds=10)              # what was done, and the rest planned anew; checked
"""

from nestcut.evening.log import EventLog
from nestcut.evening.rest import go_on
from nestcut.evening.state import EveningState, Event, reckon

__all__ = ["EveningState", "Event", "EventLog", "go_on", "reckon"]
