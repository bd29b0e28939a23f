"""The tables, one module per aggregate. Rows only: no rule, no wording and no input or output lives here."""

from service.store.tables.account import (
    AdminInvitationRow,
    BoardScreenRow,
    KnownBrowserRow,
    RecoveryCodeRow,
    SecondFactorRow,
    SecondStepRow,
)
from service.store.tables.base import Base
from service.store.tables.club import AdminRow, AdminSessionRow, ApiTokenRow, ClubRow
from service.store.tables.dive import DeedKeyRow, DiveCodeRow, DivePhoneRow, DiveRow, LinkRow
from service.store.tables.drill import DrillDiveRow, DrillRow
from service.store.tables.epoch import EpochRow
from service.store.tables.health import CanaryRow, HeartbeatRow
from service.store.tables.inbound import InboundPartRow, InboundTextRow, OptOutRow, WrongCodeRow
from service.store.tables.log import ChainHeadRow, LogCheckpointRow, LogEntryRow
from service.store.tables.message import AttemptRow, MessageRow, ReceiptRow
from service.store.tables.person import ErasureRow, JoinRow, PeopleImportRow, PersonRow
from service.store.tables.practice import PracticeMessageRow, PracticePhoneRow
from service.store.tables.reach import GatewayCanaryRow, GatewayStateRow, ReachRow
from service.store.tables.site import SitePointRow, SiteRow, TidalExtremeRow

__all__ = [
    "AdminInvitationRow",
    "AdminRow",
    "AdminSessionRow",
    "ApiTokenRow",
    "AttemptRow",
    "Base",
    "BoardScreenRow",
    "CanaryRow",
    "ChainHeadRow",
    "ClubRow",
    "DeedKeyRow",
    "DiveCodeRow",
    "DivePhoneRow",
    "DiveRow",
    "DrillDiveRow",
    "DrillRow",
    "EpochRow",
    "ErasureRow",
    "GatewayCanaryRow",
    "GatewayStateRow",
    "HeartbeatRow",
    "InboundPartRow",
    "InboundTextRow",
    "JoinRow",
    "KnownBrowserRow",
    "LinkRow",
    "LogCheckpointRow",
    "LogEntryRow",
    "MessageRow",
    "OptOutRow",
    "PeopleImportRow",
    "PersonRow",
    "PracticeMessageRow",
    "PracticePhoneRow",
    "ReachRow",
    "ReceiptRow",
    "RecoveryCodeRow",
    "SecondFactorRow",
    "SecondStepRow",
    "SitePointRow",
    "SiteRow",
    "TidalExtremeRow",
    "WrongCodeRow",
]
