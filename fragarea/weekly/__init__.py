"""The weekly report: one file that opens from a mail attachment and prints.

``records``  what each section shows
``album``    pictures of fragments, cut out of the photos
``changes``  what a report said, and what changed since
``sections`` one function a section; a new one is a function, a record, and a template of its key
``outplanting``  the manager's section: what is ready, what will be, what to cut
``pads``     the section on fusion
``page``     the templates
``making``   from the logbook to the page
"""

from fragarea.weekly.making import make_weekly, remember, week_of
from fragarea.weekly.page import render_weekly, write_weekly
from fragarea.weekly.records import WeeklyPage
from fragarea.weekly.sections import BUILDERS, Week

__all__ = ["BUILDERS", "Week", "WeeklyPage", "make_weekly", "remember", "render_weekly", "week_of", "write_weekly"]
