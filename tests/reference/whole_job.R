# The whole job in R on the synthetic unit, for tests/reference/test_whole_job.py.
#
#     Rscript tests/reference/whole_job.R
#
# Run from the repository's root (tests/reference/run_r.py runs it in a copy and compares). Reads
# synthetic_data/ and whole_job_conditions.csv (the other terms of the model of finds, by trial);
# writes whole_job_exposures.csv, whole_job_followed.csv and whole_job_fits.csv beside itself.
# The log is taken strictly: trials in which it says freezer are left out.
suppressPackageStartupMessages({library(data.table); library(lme4); library(survival)})
home <- "tests/reference"
read <- function(name) fread(file.path("synthetic_data", paste0(name, ".csv")),
                             colClasses = list(character = c("source_id")), na.strings = "")
when <- function(text) as.numeric(as.POSIXct(ifelse(nchar(text) > 10, text, paste(text, "00:00")),
                                             format = "%Y-%m-%d %H:%M", tz = "UTC"))

# Exposures: a rolling join of trials onto the log with its running sums -----------------------
sources <- read("sources")[, .(source_id, kind, acquired = when(as.character(acquired_on)),
                               older = fcoalesce(as.numeric(age_at_acquisition_days), 0))]
moves <- read("storage")[, .(source_id, at = when(as.character(moved_at)), place = moved_to,
                             given = as.numeric(temperature_c))]
usual <- c(freezer = -18, refrigerator = 4, ambient = 20)
moves[, warmth := pmax(fcoalesce(given, usual[place]), 0)]
setorder(moves, source_id, at)
moves[, frozen := place == "freezer"]
moves[, ends := shift(at, -1), by = source_id]
# A stay out of the freezer lasts until the next move into it, or a discard.
moves[, run := rleid(source_id, frozen, place == "discarded")]
moves[, `:=`(begins = at[1], over = ends[.N], first = seq_len(.N) == 1), by = run]
moves[, out := first & !frozen & place != "discarded" & shift(frozen, fill = FALSE), by = source_id]
moves[, thaw := out & (is.na(over) | over - begins >= 3600)]
sums <- function(what) function(x) shift(cumsum(fcoalesce(x, 0)), fill = 0)
moves[, stay := ends - at]
for (name in c("freezer", "refrigerator", "ambient")) {
  moves[, (name) := sums()(ifelse(place == name, stay, 0)), by = source_id]
}
moves[, heat := sums()(ifelse(place == "discarded", 0, warmth * stay)), by = source_id]
moves[, cycles := cumsum(thaw), by = source_id]
moves[, thawed_at := nafill(ifelse(thaw, at, NA_real_), "locf"), by = source_id]
moves[, longest := cummax(ifelse(frozen & !is.na(over), over - begins, 0)), by = source_id]
moves[, longest := ifelse(frozen, shift(longest, fill = 0), longest), by = source_id]

trials <- read("trials")[result %in% c("find", "miss")]
trials[, at := when(as.character(started_at))]
setkey(moves, source_id, at)
moves[, moved := at]
joined <- moves[trials, on = .(source_id, at), roll = TRUE]
joined <- sources[joined, on = "source_id"]
here <- function(x, place) ifelse(joined$place == place, joined$at - joined$moved, 0) + x
joined[, `:=`(
  held_days = (at - acquired) / 86400,
  age_days = (at - acquired) / 86400 + older,
  frozen_days = here(freezer, "freezer") / 86400,
  refrigerated_days = here(refrigerator, "refrigerator") / 86400,
  ambient_hours = here(ambient, "ambient") / 3600,
  degree_hours = (heat + warmth * (at - moved)) / 3600,
  hours_since_thaw = (at - thawed_at) / 3600,
  longest_freeze_days = pmax(longest, ifelse(place == "freezer", at - begins, 0)) / 86400
)]
joined[, frozen_share := frozen_days / (frozen_days + refrigerated_days)]
joined <- joined[!is.na(place) & !place %in% c("freezer", "discarded")]
setorder(joined, trial_id)
exposures <- c("held_days", "age_days", "cycles", "frozen_days", "refrigerated_days",
               "ambient_hours", "degree_hours", "hours_since_thaw", "longest_freeze_days",
               "frozen_share")
keep <- joined[, c("trial_id", exposures), with = FALSE]
for (name in exposures) set(keep, j = name, value = signif(keep[[name]], 12))
fwrite(keep, file.path(home, "whole_job_exposures.csv"))

fits <- data.frame()
note <- function(fit, term, estimate, std_error = NA) {
  fits <<- rbind(fits, data.frame(fit = fit, term = term, estimate = signif(estimate, 12),
                                  std_error = signif(std_error, 12), row.names = NULL))
}

# What predicts finds ---------------------------------------------------------------------------
conditions <- fread(file.path(home, "whole_job_conditions.csv"))
d <- joined[conditions, on = "trial_id", nomatch = 0]
d[, `:=`(found = as.integer(result == "find"), age = age_days / 30, share = frozen_share / 0.1)]
others <- setdiff(names(conditions), c("trial_id", "group"))
formula <- as.formula(paste("found ~ cycles + age + share +", paste(others, collapse = " + "),
                            "+ (1 | dog_id) + (1 | source_id)"))
m <- glmer(formula, d, binomial, control = glmerControl(
  optimizer = "bobyqa", tolPwrss = 1e-11, optCtrl = list(rhoend = 1e-9, maxfun = 2e5)))
note("finds", names(fixef(m)), fixef(m), sqrt(diag(as.matrix(vcov(m)))))
note("finds", "log-likelihood", as.numeric(logLik(m)))
note("finds", paste("sd", names(VarCorr(m))), sapply(VarCorr(m), function(v) attr(v, "stddev")))

# Search time -----------------------------------------------------------------------------------
d[, time := as.numeric(ifelse(result == "miss", fcoalesce(as.numeric(search_s), as.numeric(limit_s)),
                              as.numeric(search_s)))]
timed <- d[!is.na(time) & time > 0]
cox <- coxph(Surv(time, found) ~ cycles + age + strata(dog_id), timed, cluster = source_id)
s <- summary(cox)$coefficients
note("search time", rownames(s), s[, "coef"], s[, "robust se"])
note("search time", "log-likelihood", cox$loglik[2])

# How long sources stay reliable: the second miss within three trials by qualified dogs ---------
dogs <- fread("synthetic_data/dogs.csv", na.strings = "")
dogs[, since := when(as.character(qualified_on))]
counted <- joined[dogs[, .(dog_id, since)], on = "dog_id", nomatch = 0]
counted <- counted[is.na(since) | since <= floor(at / 86400) * 86400]
counted <- counted[is.na(assisted) | !assisted %in% c("yes", "TRUE", "True", "1")]
setorder(counted, source_id, at, trial_id)
followed <- counted[, {
  missed <- result == "miss"
  within <- missed + shift(missed, 1, fill = FALSE) + shift(missed, 2, fill = FALSE)
  called <- which(missed & within >= 2)[1]
  event <- !is.na(called)
  last <- if (event) called else .N
  .(entry_days = held_days[1], low_days = held_days[if (event) last - 1 else last],
    exit_days = held_days[last], event = event, share = frozen_share[last])
}, by = source_id]
followed[, regime := fcase(share >= 0.8, "frozen", share <= 0.2, "refrigerated", default = "mixed")]
for (name in c("entry_days", "low_days", "exit_days")) {
  set(followed, j = name, value = signif(followed[[name]], 12))
}
fwrite(followed[, .(source_id, entry_days, low_days, exit_days, event, regime)],
       file.path(home, "whole_job_followed.csv"))
span <- with(followed, Surv(low_days, ifelse(event, exit_days, NA), type = "interval2"))
weibull <- survreg(span ~ 1, dist = "weibull", control = survreg.control(rel.tolerance = 1e-12))
note("weibull", c("(Intercept)", "log scale"), c(coef(weibull), log(weibull$scale)),
     sqrt(diag(weibull$var)))
note("weibull", "log-likelihood", weibull$loglik[1])
curve <- survfit(span ~ 1)
note("turnbull", as.character(signif(curve$time, 10)), curve$surv)
two <- followed[regime %in% c("frozen", "refrigerated")]
note("log-rank", "statistic", survdiff(Surv(exit_days, event) ~ regime, two)$chisq)
fwrite(fits, file.path(home, "whole_job_fits.csv"))
