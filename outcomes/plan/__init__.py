"""The next trials, assigned by lot: designed, their power told before, analysed as assigned.

``unit_facts(records, joined)`` → :class:`~outcomes.plan.unit.UnitFacts`;
``make_plan(unit, request)`` (:mod:`outcomes.plan.make`) → :class:`~outcomes.plan.document.Plan`;
``plan_bytes(plan)`` and ``plan_from_bytes(raw, name)`` (:mod:`outcomes.plan.document`) are
``plan.json``; ``analyse_plan(plan, trials)`` (:mod:`outcomes.plan.analyse`) →
:class:`~outcomes.plan.result.PlanResult`. Numbers only: ``outcomes.wording.plan.with_words``
fills a plan's ``assumptions`` and ``sentence``.
"""
