"""Ways of searching, each behind :class:`leakinfer.study.model.Policy`.

One of your own takes a few lines: a function of a situation that gives the place of the next test among its options,
or None to end::

    def nearest(here):
        open_ones = [n for n, option in enumerate(here.options) if option.kind == "point" and not option.repeat]
        return min(open_ones, key=lambda n: here.options[n].minutes, default=None)

In a study it is named ``module:function``; a checklist of your own is named ``FILE.toml:id``, in the format of
``priors/study_checklists.toml``. What is repaired at the end is what the program holds more likely than not, unless the
policy has a method ``repairs`` (see :class:`leakinfer.study.policies.rules.Repairing`).
"""

from leakinfer.study.policies.naming import POLICIES, policy

__all__ = ["POLICIES", "policy"]
