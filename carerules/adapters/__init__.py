"""The doors: every socket, file and clock.

Knows protocols and formats; turns them into events and values of `domain`, or says why not.
Does not decide anything.
"""

from carerules.adapters.address import Login, MqttAddress, read_host, read_password
from carerules.adapters.apart import expand_apart
from carerules.adapters.broker import AddressError
from carerules.adapters.calendarcopy import Copy, CopyShelf, origin_of
from carerules.adapters.calendarline import (
    NO_TAGS,
    CalendarAddress,
    Fetched,
    Tags,
    Unchanged,
    Unreached,
    fetch,
    url_fault,
)
from carerules.adapters.called import Called, CalledWires
from carerules.adapters.channels import (
    Address,
    Apprise,
    Mail,
    Posted,
    Sender,
    SendError,
    Topic,
    Webhook,
    secret_of,
    sender_of,
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
    Recorded,
    Release,
    Stop,
    UseAdd,
    UseDrop,
    Want,
    to_events,
)
from carerules.adapters.feed import Feed, FeedProfile, feed_profiles, load_feed_profile
from carerules.adapters.hubline import Ears, Heard, HubLine, Script
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
from carerules.adapters.mqtt import MqttWires, Wiring
from carerules.adapters.outbox import OutboxFile, Word
from carerules.adapters.overhear import Listened, Overheard, overhear
from carerules.adapters.paper import PaperError, print_page
from carerules.adapters.place import JournalPlace, PostgresPlace, is_there, open_journal, owner_of
from carerules.adapters.plug import Unsaid, Wire, command_topics, fits, say
from carerules.adapters.power_on import called_power_on_fault, power_on_fault
from carerules.adapters.problem import Problem, quoted
from carerules.adapters.profile import PlugProfile, load_plug_profile, plug_profiles
from carerules.adapters.qr import qr_code
from carerules.adapters.reading import DamagedRowError, JournalReader, WaitingEntry
from carerules.adapters.recognise import Likeness, feeds_among, plugs_among, states_among
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
from carerules.adapters.rescue import Saved, back_up, compact, salvage
from carerules.adapters.rows import Hold
from carerules.adapters.store import JournalBusy
from carerules.adapters.supervisor import Supervisor
from carerules.adapters.tablefile import Format, TableFiles
from carerules.adapters.topics import Topics, topics_of

__all__ = [
    "HAPPENINGS",
    "HOST",
    "NO_TAGS",
    "RECORD_BOUNDS",
    "RECORD_WORDS",
    "Address",
    "AddressError",
    "Answer",
    "Apprise",
    "Attend",
    "CalendarAddress",
    "Called",
    "CalledWires",
    "Cancel",
    "ChoreAnswer",
    "ClockAnchor",
    "Copy",
    "CopyShelf",
    "DamagedRowError",
    "Ears",
    "Entry",
    "Feed",
    "FeedProfile",
    "Fetched",
    "Format",
    "Heard",
    "Hold",
    "HubLine",
    "Inbox",
    "JournalBusy",
    "JournalPlace",
    "JournalReader",
    "KeptJournal",
    "Lane",
    "Likeness",
    "LineClock",
    "Listened",
    "Login",
    "Mail",
    "Measured",
    "Message",
    "MqttAddress",
    "MqttWires",
    "OutboxFile",
    "Overheard",
    "PaperError",
    "Place",
    "PlugProfile",
    "Posted",
    "PostgresPlace",
    "Problem",
    "Put",
    "Read",
    "RecordError",
    "Recorded",
    "Release",
    "Saved",
    "Script",
    "SendError",
    "Sender",
    "Sources",
    "SqliteJournal",
    "Stop",
    "Supervisor",
    "TableFiles",
    "Tags",
    "Topic",
    "Topics",
    "Unchanged",
    "Unreached",
    "Unsaid",
    "UseAdd",
    "UseDrop",
    "WaitingEntry",
    "Want",
    "Webhook",
    "Wire",
    "Wiring",
    "Word",
    "back_up",
    "called_power_on_fault",
    "command_topics",
    "compact",
    "dump_entry",
    "dump_event",
    "dump_outcome",
    "expand_apart",
    "feed_profiles",
    "feeds_among",
    "fetch",
    "fits",
    "is_there",
    "kind_of",
    "load_entry",
    "load_event",
    "load_feed_profile",
    "load_outcome",
    "load_plug_profile",
    "open_journal",
    "origin_of",
    "overhear",
    "owner_of",
    "parse_attend",
    "parse_place",
    "parse_record",
    "parse_release",
    "parse_use",
    "plug_profiles",
    "plugs_among",
    "power_on_fault",
    "print_page",
    "qr_code",
    "quoted",
    "read_future",
    "read_host",
    "read_password",
    "read_past",
    "salvage",
    "say",
    "secret_of",
    "sender_of",
    "states_among",
    "synchronised",
    "to_events",
    "topics_of",
    "url_fault",
    "url_problem",
]
