"""Answers that a worker thread waits for."""

from __future__ import annotations

import threading

from busprobe.wizard.common.pending_answer import PendingAnswer


def test_an_answer_reaches_the_thread_that_waits_for_it() -> None:
    answer: PendingAnswer[bool] = PendingAnswer()
    got: list[bool] = []
    worker = threading.Thread(target=lambda: got.append(answer.wait()))
    worker.start()
    answer.give(True)
    worker.join(5)
    assert got == [True]


def test_leaving_answers_everything_that_may_still_be_asked() -> None:
    answer: PendingAnswer[bool] = PendingAnswer()
    answer.leave(False)
    assert [answer.wait(), answer.wait(), answer.wait()] == [False, False, False]
