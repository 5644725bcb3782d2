# %% [markdown]
# # One unit's records, from reading to decision
#
# The unit is invented (`synthetic_data/`), so the truth is known: every freeze/thaw cycle takes
# 0.11 off the log-odds of a find, age takes nothing. Run it from the project's folder.

# %%
import tomllib
from pathlib import Path

import matplotlib.pyplot as plt

import outcomes as oc

unit = oc.read("synthetic_data")
print(unit)

# %% [markdown]
# What had the sources been through at the trials? Where every source is taken out about as often,
# cycles and age rise together and nothing can part them. Here they went their own ways.

# %%
joined = unit.join()
hides = joined.trials.dropna(subset=["source_id"])
print(hides[["cycles", "age_days", "degree_hours"]].describe().round(0))
print("correlation of cycles and age:", round(hides["cycles"].corr(hides["age_days"]), 2))

# %% [markdown]
# ## Cycles or age?

# %%
finds = oc.fit_finds(joined)
print(finds.summary())
verdict = oc.which_predicts(finds)
print(verdict.sentence)

# %% [markdown]
# The truth should lie within the interval, and "no change", 0, should not.

# %%
low, high = finds.conf_int().loc["cycles"]
truth = tomllib.loads(Path("synthetic_data/truth.toml").read_text(encoding="utf-8"))
planted = truth["planted"]["cycle_log_odds"]
print(f"planted {planted}, found {finds.params['cycles']:.3f} ({low:.3f} to {high:.3f})")

# %% [markdown]
# ## When to retire, and which

# %%
limit = oc.find_threshold(finds, floor=0.85)
print(limit.sentence)
print(f"planted threshold: {truth['threshold']['cycles']:.1f} cycles")
shelf = oc.shelf(finds)
print(shelf)

# %% [markdown]
# ## Refrigerator or freezer, and how long they last

# %%
storage = oc.compare_storage(finds)
lifetimes = oc.fit_lifetimes(joined)
print(storage.sentence)
print(lifetimes.sentence)

# %%
figure, axes = plt.subplots(2, 2, figsize=(12, 9), layout="constrained")
limit.plot(ax=axes[0, 0])
axes[0, 0].legend()
shelf.plot(ax=axes[0, 1])
storage.plot(ax=axes[1, 0])
lifetimes.plot(ax=axes[1, 1])
axes[1, 1].legend()
plt.show()

# %% [markdown]
# ## What this is not
#
# An association in one unit's records: storage was not assigned by lot, so that what else came
# with it may be the cause. A plan by lot would settle it: `outcomes plan`.
