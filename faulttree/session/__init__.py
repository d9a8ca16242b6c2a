"""A diagnosis as prompts and replies: what is asked, and what an answer brings about.

Nothing here knows a screen, a clock or a file. A face (a terminal, a page) draws a
:class:`Prompt` and gives back a :class:`Reply`; :func:`reply` says which events it makes.
"""

from faulttree.session.intake import begin_intake, read_intake
from faulttree.session.model import (
    Accepted,
    Ask,
    Carry,
    Choice,
    Context,
    Kind,
    Lookup,
    Message,
    Position,
    Prompt,
    PromptId,
    Refused,
    Reply,
    Result,
    Show,
    Wait,
)
from faulttree.session.prompts import next_prompt
from faulttree.session.replies import follow, reply
from faulttree.session.typed import read_typed

__all__ = [
    "Accepted",
    "Ask",
    "Carry",
    "Choice",
    "Context",
    "Kind",
    "Lookup",
    "Message",
    "Position",
    "Prompt",
    "PromptId",
    "Refused",
    "Reply",
    "Result",
    "Show",
    "Wait",
    "begin_intake",
    "follow",
    "next_prompt",
    "read_intake",
    "read_typed",
    "reply",
]
