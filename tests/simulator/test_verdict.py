"""The page of a verdict: its order, its outcome, its width."""

from eyebolt_sim.verdict import RuleVerdict, Verdict


def test_a_page_names_failures_first_and_passes_only_if_something_was_tried():
    kept = RuleVerdict("a rule that was kept", passes=2, note="a figure")
    broken = RuleVerdict("a rule that was broken", "do it right", passes=5, failures=[f"place {k}" for k in range(5)])
    untried = RuleVerdict("a rule " + "with many words " * 12, not_tried="nobody did")
    page = list(Verdict("title", ["a fact"], [untried, kept, broken]).lines(80))
    assert page[0] == "title" and page[1].startswith("FAILED: 1 passed, 1 failed, 1 not tried")
    assert [line.split()[0] for line in page if line[0] != " "][3:] == ["FAILED", "passed", "not"]
    assert "do it right" in " ".join(page) and "2 more" in " ".join(page) and max(map(len, page)) <= 80
    assert not Verdict("", [], [untried]).passed and Verdict("", [], [untried, kept]).passed
    assert not Verdict("", [], [kept, broken]).passed
    assert Verdict("", [], [untried]).summary.startswith("NOTHING")
