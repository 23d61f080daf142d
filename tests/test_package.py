"""The package as it is imported: names, and functions that mention it in other processes."""

import inspect
import pickle
import re

import joblib
import pytest

import formlab as fl


def test_functions_stay_functions_although_packages_share_their_names():
    import formlab.suggest.search  # noqa: F401

    assert callable(fl.suggest)


def test_the_package_can_be_named_in_a_worker():
    assert pickle.loads(pickle.dumps(fl)) is fl

    def version(_):
        return fl.__version__

    assert joblib.Parallel(n_jobs=2)(joblib.delayed(version)(k) for k in range(2)) == [fl.__version__] * 2


def _public():
    """Every public name, and the public methods and properties of the classes among them."""
    for name in fl.__all__:
        thing = getattr(fl, name)
        yield name, thing
        if inspect.isclass(thing):
            for key, member in vars(thing).items():
                inner = getattr(member, "__func__", getattr(member, "fget", getattr(member, "func", member)))
                if not key.startswith("_") and inspect.isfunction(inner):
                    yield f"{name}.{key}", inner


@pytest.mark.parametrize(("name", "thing"), [pytest.param(*pair, id=pair[0]) for pair in _public()])
def test_help_is_complete(name, thing):
    words = inspect.getdoc(thing) or ""
    assert words.split("\n")[0].endswith((".", ":")) or "\n" in words
    if not inspect.isclass(thing):
        asked = [p for p in inspect.signature(thing).parameters if p not in ("self", "cls")]
        assert [p for p in asked if not re.search(rf"\b{p}\b", words)] == []
    if "." not in name:
        assert ">>>" in words  # pytest runs it
        parts = (
            ("Attributes", "Parameters") if inspect.isclass(thing) else ("Parameters", "Returns", "Raises")
        )
        found = [part for part in parts if f"\n{part}\n---" in words]
        assert found if inspect.isclass(thing) else found == list(parts)
