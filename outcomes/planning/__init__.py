"""The next trials, assigned by lot: designed, their power told before, analysed as assigned.

``unit_facts(records, joined)`` → :class:`~outcomes.planning.unit.UnitFacts`;
``make_plan(unit, request)`` (:mod:`outcomes.planning.make`) →
:class:`~outcomes.planning.document.Plan`;
``plan_bytes(plan)`` and ``plan_from_bytes(raw, name)`` (:mod:`outcomes.planning.document`) are
``plan.json``; ``analyse_plan(plan, trials)`` (:mod:`outcomes.planning.analyse`) →
:class:`~outcomes.planning.result.PlanResult`. Numbers only: ``outcomes.wording.plan.with_words``
fills a plan's ``assumptions`` and ``sentence``.
"""
