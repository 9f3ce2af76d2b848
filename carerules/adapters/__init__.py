"""The doors: every socket, file and clock.

Knows protocols and formats; turns them into events and values of `domain`, or says why not.
Does not decide anything.
"""

from carerules.adapters.address import (
    AddressError,
    Login,
    MqttAddress,
    PostgresPlace,
    key_problem,
    pem_problem,
    read_host,
    read_password,
)
from carerules.adapters.calendaraddress import CalendarAddress, url_fault
from carerules.adapters.channels import (
    Address,
    Apprise,
    Mail,
    Posted,
    Sender,
    SendError,
    Topic,
    Webhook,
    url_problem,
)
from carerules.adapters.clock import HOST, ClockAnchor, LineClock, Sources, synchronised
from carerules.adapters.doors import Message
from carerules.adapters.entry import (
    Answer,
    Attend,
    Cancel,
    ChoreAnswer,
    Entry,
    Measured,
    Place,
    PlanDrop,
    PlanKeep,
    Recorded,
    Release,
    Stop,
    UseAdd,
    UseDrop,
    Want,
    to_events,
)
from carerules.adapters.feed import Feed, FeedProfile, feed_profiles, load_feed_profile
from carerules.adapters.heap import give_back, share_heap
from carerules.adapters.inbox import Inbox, Lane, Put, Read
from carerules.adapters.journal import KeptJournal, SqliteJournal
from carerules.adapters.manual import (
    HAPPENINGS,
    RECORD_BOUNDS,
    RECORD_WORDS,
    parse_attend,
    parse_place,
    parse_record,
    parse_release,
    parse_use,
)
from carerules.adapters.moments import read_future, read_past
from carerules.adapters.outbox import OutboxFile, Word
from carerules.adapters.place import (
    JournalPlace,
    is_there,
    open_journal,
    owner_of,
    watch_over,
)
from carerules.adapters.plug import Unsaid, Wire, command_topics, fits, say
from carerules.adapters.problem import Problem, quoted
from carerules.adapters.profile import PlugProfile, load_plug_profile, plug_profiles
from carerules.adapters.reading import DamagedRowError, JournalReader, WaitingEntry
from carerules.adapters.records import (
    RecordError,
    dump_entry,
    dump_event,
    dump_outcome,
    kind_of,
    load_entry,
    load_event,
    load_outcome,
)
from carerules.adapters.rows import GONE_AFTER, HELD_FOR, Hold, SiteSeen
from carerules.adapters.store import JournalBusy
from carerules.adapters.supervisor import Supervisor
from carerules.adapters.topics import Topics, topics_of

__all__ = [
    "GONE_AFTER",
    "HAPPENINGS",
    "HELD_FOR",
    "HOST",
    "RECORD_BOUNDS",
    "RECORD_WORDS",
    "Address",
    "AddressError",
    "Answer",
    "Apprise",
    "Attend",
    "CalendarAddress",
    "Cancel",
    "ChoreAnswer",
    "ClockAnchor",
    "DamagedRowError",
    "Entry",
    "Feed",
    "FeedProfile",
    "Hold",
    "Inbox",
    "JournalBusy",
    "JournalPlace",
    "JournalReader",
    "KeptJournal",
    "Lane",
    "LineClock",
    "Login",
    "Mail",
    "Measured",
    "Message",
    "MqttAddress",
    "OutboxFile",
    "Place",
    "PlanDrop",
    "PlanKeep",
    "PlugProfile",
    "Posted",
    "PostgresPlace",
    "Problem",
    "Put",
    "Read",
    "RecordError",
    "Recorded",
    "Release",
    "SendError",
    "Sender",
    "SiteSeen",
    "Sources",
    "SqliteJournal",
    "Stop",
    "Supervisor",
    "Topic",
    "Topics",
    "Unsaid",
    "UseAdd",
    "UseDrop",
    "WaitingEntry",
    "Want",
    "Webhook",
    "Wire",
    "Word",
    "command_topics",
    "dump_entry",
    "dump_event",
    "dump_outcome",
    "feed_profiles",
    "fits",
    "give_back",
    "is_there",
    "key_problem",
    "kind_of",
    "load_entry",
    "load_event",
    "load_feed_profile",
    "load_outcome",
    "load_plug_profile",
    "open_journal",
    "owner_of",
    "parse_attend",
    "parse_place",
    "parse_record",
    "parse_release",
    "parse_use",
    "pem_problem",
    "plug_profiles",
    "quoted",
    "read_future",
    "read_host",
    "read_password",
    "read_past",
    "say",
    "share_heap",
    "synchronised",
    "to_events",
    "topics_of",
    "url_fault",
    "url_problem",
    "watch_over",
]
