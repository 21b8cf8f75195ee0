"""A page that was left is let go: what refreshes its panels goes, that of other pages stays."""

from types import SimpleNamespace

from nicegui import ui

from blockout.web.pages.bench import let_go


class Part:
    """A panel, as far as the framework's list of what to refresh knows it."""

    @ui.refreshable_method
    def build(self):
        raise AssertionError("nothing is shown here")


def test_only_the_page_that_was_left_is_let_go():
    method = vars(Part)["build"]
    left, kept = Part(), Part()
    method.targets = [SimpleNamespace(instance=one) for one in (left, kept, left)]
    method.instance = left
    let_go(left, object())
    assert [target.instance for target in method.targets] == [kept]
    assert method.instance is None
    method.instance = kept
    let_go(left)
    assert method.instance is kept
