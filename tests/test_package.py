"""The package as it is imported: names, and functions that mention it in other processes."""

import pickle

import joblib

import formlab as fl


def test_functions_stay_functions_although_packages_share_their_names():
    import formlab.suggest.search  # noqa: F401

    assert callable(fl.suggest)


def test_the_package_can_be_named_in_a_worker():
    assert pickle.loads(pickle.dumps(fl)) is fl

    def version(_):
        return fl.__version__

    assert joblib.Parallel(n_jobs=2)(joblib.delayed(version)(k) for k in range(2)) == [fl.__version__] * 2
