"""Operations in the trade's words: one table, asked wherever an operation is named to people."""

from __future__ import annotations

from trace.core.permissions import OPERATIONS
from trace.core.verbs import WORDS, in_trade_words, sentence


def test_every_operation_has_its_words_and_no_other() -> None:
    assert list(WORDS) == list(OPERATIONS)
    assert len(set(WORDS.values())) == len(WORDS), "each is told from the others"


def test_what_the_record_alone_knows_is_said_by_its_name() -> None:
    assert in_trade_words("set_bom") == "set a bill of material"
    assert in_trade_words("long_gone") == "long gone"
    assert (sentence("issue_token"), sentence("long_gone")) == ("Issue a token for the API", "Long gone")
