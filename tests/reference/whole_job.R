# The whole job in R on the synthetic unit, for tests/reference/test_whole_job.py.
#
#     Rscript tests/reference/whole_job.R
#
# Run from the repository's root (tests/reference/run_r.py runs it in a copy and compares). Reads
# the raw tables in synthetic_data/ and nothing else. Writes beside itself
#   whole_job_exposures.csv  what each hide trial's source had been through, the log taken strictly
#   whole_job_inferred.csv   the same with the thaws that trials prove
#   whole_job_followed.csv   each source until it met the rule
#   whole_job_fits.csv       finds, how soon, false alerts, how long sources lasted
# The fits rest on the log taken strictly: trials in which it says freezer are left out.
suppressPackageStartupMessages({library(data.table); library(lme4); library(survival)})
home <- "tests/reference"
read <- function(name) fread(file.path("synthetic_data", paste0(name, ".csv")), na.strings = "",
                             colClasses = "character")
when <- function(text) as.numeric(as.POSIXct(ifelse(nchar(text) > 10, text, paste(text, "00:00")),
                                             format = "%Y-%m-%d %H:%M", tz = "UTC"))
hour <- 3600
day <- 86400

sources <- read("sources")[, .(source_id, kind, packaging, first_mass_g = as.numeric(mass_g),
                               acquired = when(acquired_on),
                               older = fcoalesce(as.numeric(age_at_acquisition_days), 0))]
usual <- c(freezer = -18, refrigerator = 4, ambient = 20, discarded = NA)
log <- read("storage")[, .(source_id, at = when(moved_at), place = moved_to, proved = FALSE,
                           degrees = fcoalesce(as.numeric(temperature_c), usual[moved_to]))]
trials <- read("trials")
trials[, at := when(started_at)]
for (name in c("false_alerts", "search_s", "limit_s", "set_min", "temperature_c", "humidity_pct",
               "wind_m_s", "depth_cm")) {
  set(trials, j = name, value = as.numeric(trials[[name]]))
}
trials[, assisted := assisted %in% c("yes", "true", "1")]
# The dog's trials so far, blank areas too, and how readily the source is taken.
setorder(trials, at)
trials[, experience := seq_len(.N) - 1, by = dog_id]
hides <- trials[!is.na(source_id), .(source_id, on = at %/% day, missed = result == "miss")]
hides[, latest := frollsum(as.numeric(missed), pmin(seq_len(.N), 3), adaptive = TRUE),
      by = source_id]
uses <- hides[, .(latest = latest[.N]), by = .(source_id, on)]
gone <- log[place == "discarded", .(gone = min(at) %/% day), by = source_id]
first <- uses[, .(from = min(on), last = max(on)), by = source_id]
first <- merge(first, gone, by = "source_id", all.x = TRUE)
days <- data.table(on = sort(unique(trials$at %/% day)))
# A row for each source and day of training on which it could have been taken.
there <- first[, .(on = days$on[days$on > from & (days$on <= last | is.na(gone) | days$on < gone)]),
               by = source_id]
there[, taken := as.numeric(there[, paste(source_id, on)] %in% uses[, paste(source_id, on)])]
there[, `:=`(usual = mean(taken), before = on - 1), by = on]
there[, misses := uses[there, on = .(source_id, on = before), roll = TRUE, x.latest]]
likelihood <- function(rho) {
  own <- there[, .(n = sum(taken), share = sum(usual * exp(rho * misses))), by = source_id]
  there[, sum(rho * misses * taken)] - own[n > 0, sum(n * log(share))] - rho^2 / 2
}
rho <- optimize(likelihood, c(-5, 5), maximum = TRUE, tol = 1e-10)$maximum
ratio <- there[, .(taken = sum(taken), expected = sum(usual * exp(rho * misses))), by = source_id]
ratio[, expected := expected * sum(taken) / sum(expected)]
ratio[, use_ratio := (taken + 1) / (expected + 1)]
# Nothing is known of a source that was first used on the last day of all.
trials[, use_ratio := ifelse(is.na(source_id), NA, 1)]
trials[ratio, on = "source_id", use_ratio := i.use_ratio]

# Exposures: a rolling join of trials onto the log with its running sums -----------------------
exposed <- function(log, asked) {
  moves <- copy(log)
  setorder(moves, source_id, at)
  moves[, warmth := pmax(degrees, 0)]
  moves[, frozen := place == "freezer"]
  moves[, ends := shift(at, -1), by = source_id]
  # A stay out of the freezer lasts until the next move into it, or a discard.
  moves[, run := rleid(source_id, frozen, place == "discarded")]
  moves[, `:=`(begins = at[1], over = ends[.N], first = seq_len(.N) == 1, unlogged = all(proved)),
        by = run]
  moves[, thaw := first & !frozen & place != "discarded" & shift(frozen, fill = FALSE) &
          (is.na(over) | over - begins >= hour), by = source_id]
  before <- function(x) shift(cumsum(fcoalesce(as.numeric(x), 0)), fill = 0)
  moves[, stay := ends - at]
  for (name in c("freezer", "refrigerator", "ambient")) {
    moves[, (name) := before(ifelse(place == name, stay, 0)), by = source_id]
  }
  moves[, heat := before(warmth * stay), by = source_id]
  moves[, `:=`(cycles = cumsum(thaw), inferred_thaws = cumsum(thaw & unlogged)), by = source_id]
  moves[, thawed_at := nafill(ifelse(thaw, at, NA_real_), "locf"), by = source_id]
  moves[, longest := cummax(ifelse(frozen & !is.na(over), over - begins, 0)), by = source_id]
  moves[, longest := ifelse(frozen, shift(longest, fill = 0), longest), by = source_id]
  moves[, opened := at[1], by = source_id]
  moves[, moved := at]

  joined <- sources[moves[asked, on = .(source_id, at), roll = TRUE], on = "source_id"]
  here <- function(x, name) x + ifelse(joined$place == name, joined$at - joined$moved, 0)
  joined[, `:=`(
    held_days = (at - acquired) / day,
    age_days = (at - acquired) / day + older,
    frozen_days = here(freezer, "freezer") / day,
    refrigerated_days = here(refrigerator, "refrigerator") / day,
    ambient_hours = here(ambient, "ambient") / hour,
    degree_hours = (heat + warmth * (at - moved)) / hour,
    hours_since_thaw = (at - thawed_at) / hour,
    longest_freeze_days = pmax(longest, ifelse(place == "freezer", at - begins, 0)) / day,
    undocumented_days = pmax(opened - acquired, 0) / day
  )]
  joined[, open_frozen_days := ifelse(packaging == "sealed", 0, frozen_days)]
  joined[, frozen_share := frozen_days / (frozen_days + refrigerated_days)]
  joined[, regime := fcase(frozen_share >= 0.8, "frozen", frozen_share <= 0.2, "refrigerated",
                           !is.na(frozen_share), "mixed")]
  setorder(joined, trial_id)
  joined[]
}
store <- function(table, file) {
  table <- copy(table)
  for (name in names(table)) {
    if (is.double(table[[name]])) set(table, j = name, value = signif(table[[name]], 12))
  }
  fwrite(table, file.path(home, file))
}
exposures <- c("held_days", "age_days", "cycles", "frozen_days", "refrigerated_days",
               "ambient_hours", "degree_hours", "hours_since_thaw", "longest_freeze_days",
               "open_frozen_days", "frozen_share", "regime", "undocumented_days")

hides <- trials[result %in% c("find", "miss")]
strict <- exposed(log, hides)
in_freezer <- strict[place == "freezer"]
strict <- strict[!is.na(place) & !place %in% c("freezer", "discarded")]
store(strict[, c("trial_id", exposures), with = FALSE], "whole_job_exposures.csv")

# A trial while the log says freezer proves that the source was out, from two hours before it was
# placed to two hours after the start; such windows that overlap are one.
windows <- in_freezer[, .(source_id, from = at - fcoalesce(set_min, 0) * 60 - 2 * hour,
                          till = at + 2 * hour)]
setorder(windows, source_id, from)
windows[, apart := cumsum(from > shift(cummax(till), fill = -Inf)), by = source_id]
windows <- windows[, .(from = min(from), till = max(till)), by = .(source_id, apart)]
stays <- copy(log)[order(source_id, at)]
stays[, ends := fcoalesce(shift(at, -1), Inf), by = source_id]
out <- stays[windows, on = .(source_id, at < till, ends > from), nomatch = NULL,
             .(source_id, place, degrees, leaves = pmax(x.at, i.from), stays = x.ends,
               returns = pmin(x.ends, i.till))][place == "freezer"]
more <- rbind(
  log,
  out[returns < stays, .(source_id, at = returns, place, proved = FALSE, degrees)],
  out[, .(source_id, at = leaves, place = "ambient", proved = TRUE, degrees = usual[["ambient"]])]
)
# Where a window begins with a stay in the freezer, that stay has no length left.
more <- unique(more, by = c("source_id", "at"), fromLast = TRUE)
inferred <- exposed(more, hides)
store(inferred[, c("trial_id", exposures, "inferred_thaws"), with = FALSE],
      "whole_job_inferred.csv")

fits <- data.frame()
note <- function(fit, term, estimate, std_error = NA) {
  fits <<- rbind(fits, data.frame(fit = fit, term = term, estimate = signif(estimate, 12),
                                  std_error = signif(std_error, 12), row.names = NULL))
}

# Conditions: the commonest word is the reference; numbers in the steps that are reported -------
usable <- strict[assisted == FALSE]
usable[, found := as.integer(result == "find")]
stepped <- function(d, informative) {
  d <- copy(d)
  for (name in c("kind", "blinding", "setting", "placement")) {
    word <- fcoalesce(d[[name]], "not recorded")
    counts <- table(word[informative])
    set(d, j = name, value = factor(word, names(counts)[order(-counts, names(counts))]))
  }
  d[, `:=`(age_days = age_days / 30, frozen_share = frozen_share / 0.1,
           set_min = log2(pmax(set_min, 1)), experience = log2(experience + 1),
           use_ratio = log2(use_ratio), temperature_c = temperature_c / 10,
           first_mass_g = log2(pmax(first_mass_g, 1)))]
  # What was not buried has no depth.
  d[is.na(depth_cm) & !is.na(placement) & placement != "buried", depth_cm := 0]
  d[, depth_cm := depth_cm / 10]
  d[]
}
complete <- function(d, terms) d[complete.cases(d[, terms, with = FALSE])]
on_terms <- function(left, terms, more) {
  as.formula(paste(left, "~", paste(c(terms, more), collapse = " + ")))
}

# What predicts finds ---------------------------------------------------------------------------
# The weather would need more than five finds and five misses to a parameter; so would a
# word of its own for blinding that is not on record.
terms <- c("cycles", "age_days", "kind", "frozen_share", "experience", "use_ratio", "set_min",
           "first_mass_g", "blinding", "setting", "placement", "depth_cm")
d <- stepped(usable, rep(TRUE, nrow(usable)))
d[blinding == "not recorded", blinding := levels(blinding)[1]]
d[, blinding := droplevels(blinding)]
# Numbers far from zero would tie the intercept to them.
for (name in c("frozen_share", "experience", "use_ratio", "set_min", "first_mass_g")) {
  set(d, j = name, value = d[[name]] - median(d[[name]], na.rm = TRUE))
}
d <- complete(d, terms)
m <- glmer(on_terms("found", terms, c("(1 | dog_id)", "(1 | source_id)")), d, binomial,
           control = glmerControl(optimizer = "bobyqa", tolPwrss = 1e-11,
                                  optCtrl = list(rhoend = 1e-9, maxfun = 2e5)))
# The intercept is where the numbers are zero, which is another place in ours.
slopes <- names(fixef(m))[-1]
note("finds", slopes, fixef(m)[slopes], sqrt(diag(as.matrix(vcov(m))))[-1])
note("finds", "log-likelihood", as.numeric(logLik(m)))
note("finds", paste("sd", names(VarCorr(m))), sapply(VarCorr(m), function(v) attr(v, "stddev")))
note("finds", "trials", nrow(d))

# How soon: the time of finds, against the terms of finds ----------------------------------------
timed <- d[found == 1 & !is.na(search_s) & search_s > 0]
m <- suppressMessages(lmer(
  on_terms("log(search_s)", terms, c("(1 | dog_id)", "(1 | source_id)")), timed,
  control = lmerControl(optimizer = "bobyqa",
                        optCtrl = list(rhobeg = 0.1, rhoend = 1e-10, maxfun = 1e5))
))
slopes <- names(fixef(m))[-1]
note("time of finds", slopes, fixef(m)[slopes], sqrt(diag(as.matrix(vcov(m))))[-1])
note("time of finds", paste("sd", names(VarCorr(m))),
     sapply(VarCorr(m), function(v) attr(v, "stddev")))
note("time of finds", "sd residual", sigma(m))
note("time of finds", "trials", nrow(timed))

# False alerts ----------------------------------------------------------------------------------
# By the searching hour and by the blank area, with exact intervals, in all trials that are used.
alerts <- trials[is.na(source_id) | trial_id %in% strict$trial_id]
alerts[, count := false_alerts]
alerts[is.na(count) & result == "clear", count := 0]
alerts[result == "false alert" & (is.na(count) | count < 1), count := 1]
alerts[, hours := ifelse(result == "find", search_s, fcoalesce(search_s, limit_s)) / hour]
exact <- function(who, own) {
  counted <- own[!is.na(count) & !is.na(hours) & hours > 0]
  rate <- poisson.test(sum(counted$count), sum(counted$hours))
  note("false alerts per hour", paste0(who, c("", ", low", ", high")),
       c(rate$estimate, rate$conf.int))
  blank <- own[is.na(source_id)]
  share <- binom.test(sum(blank$result == "false alert"), nrow(blank))
  note("false alerts per blank", paste0(who, c("", ", low", ", high")),
       c(share$estimate, share$conf.int))
}
exact("all", alerts)
for (dog in sort(unique(alerts$dog_id))) exact(dog, alerts[dog_id == dog])
# On hides against the source's exposure; ten false alerts to a term leave room for no other.
terms <- c("cycles", "age_days", "frozen_share", "set_min")
on_hides <- merge(usable, alerts[, .(trial_id, count, hours)], by = "trial_id")
on_hides <- on_hides[!is.na(count) & !is.na(hours) & hours > 0]
on_hides[, of_dog := sum(count), by = dog_id]
on_hides <- on_hides[of_dog > 0]
on_hides <- complete(stepped(on_hides, on_hides$count > 0), terms)
rates <- glm(on_terms("count", terms, c("dog_id", "offset(log(hours))")), poisson, on_hides,
             control = glm.control(epsilon = 1e-13))
mu <- fitted(rates)
x <- model.matrix(rates)
scores <- rowsum(x * (on_hides$count - mu), on_hides$source_id)
clustered <- sqrt(diag(vcov(rates) %*% crossprod(scores) %*% vcov(rates)))
note("false alerts", terms, coef(rates)[terms], sqrt(diag(vcov(rates)))[terms])
note("false alerts clustered", terms, coef(rates)[terms], clustered[terms])
note("false alerts", "trials", nrow(on_hides))
excess <- sum((on_hides$count - mu)^2 - on_hides$count) / sqrt(2 * sum(mu^2))
note("false alerts", "overdispersion, p", pnorm(excess, lower.tail = FALSE))
shared <- suppressMessages(glmer(on_terms("count", terms, c("dog_id", "offset(log(hours))",
                                                            "(1 | source_id)")),
                                 on_hides, poisson, nAGQ = 0))
note("false alerts", "sd source_id", attr(VarCorr(shared)$source_id, "stddev"))

# How long sources stay reliable: the second miss within three trials by qualified dogs ---------
dogs <- read("dogs")[, .(dog_id, since = when(qualified_on))]
counted <- dogs[usable, on = "dog_id"][is.na(since) | since <= at]
setorder(counted, source_id, at, trial_id)
shown_at <- function(result) {
  missed <- result == "miss"
  within <- missed + shift(missed, 1, fill = FALSE) + shift(missed, 2, fill = FALSE)
  which(missed & within >= 2)[1]
}
counted[, shown := shown_at(result), by = source_id]
followed <- counted[, {
  event <- !is.na(shown[1])
  last <- if (event) shown[1] else .N
  .(entry_days = held_days[1], low_days = held_days[if (event) last - 1 else last],
    exit_days = held_days[last], event = event, regime = regime[last])
}, by = source_id]
store(followed, "whole_job_followed.csv")
span <- with(followed, Surv(low_days, ifelse(event, exit_days, NA), type = "interval2"))
weibull <- survreg(span ~ 1, dist = "weibull", control = survreg.control(rel.tolerance = 1e-12))
note("weibull", c("(Intercept)", "log scale"), c(coef(weibull), log(weibull$scale)),
     sqrt(diag(weibull$var)))
note("weibull", "log-likelihood", weibull$loglik[1])
# Frozen sources, with late entry, over the days on which three or more were followed.
frozen <- followed[regime == "frozen" & exit_days > entry_days]
edges <- sort(unique(c(frozen$entry_days, frozen$exit_days)))
followed_at <- sapply(edges[-1], function(t) with(frozen, sum(entry_days < t & exit_days >= t)))
spell <- rleid(followed_at >= 3)
within <- range(which(spell == spell[which.max(followed_at)]))
from <- edges[within[1]]
to <- edges[within[2] + 1]
frozen <- frozen[exit_days > from & entry_days < to]
km <- survfit(Surv(pmax(entry_days, from), pmin(exit_days, to), event & exit_days <= to) ~ 1,
              frozen, conf.type = "log-log")
at <- km$n.event > 0
days <- as.character(signif(km$time[at], 10))
note("kaplan-meier", days, km$surv[at], km$surv[at] * km$std.err[at])
note("kaplan-meier low", days, km$lower[at])
note("kaplan-meier high", days, km$upper[at])
note("kaplan-meier at risk", days, km$n.risk[at])
median <- quantile(km, 0.5)
note("kaplan-meier days", c("median", "median, low", "median, high", "from", "to"),
     c(median$quantile, median$lower, median$upper, from, to))
# The hazard at an age against the cycles by the trial before.
stretches <- counted[, .(start = shift(age_days), stop = age_days, cycles = shift(cycles),
                         number = seq_len(.N), shown), by = source_id]
stretches <- stretches[number > 1 & (is.na(shown) | number <= shown)]
stretches[, event := !is.na(shown) & number == shown]
stretches <- stretches[stop > start]
at_age <- coxph(Surv(start, stop, event) ~ cycles, stretches)
note("cycles at an age", "cycles", coef(at_age), sqrt(diag(vcov(at_age))))
fwrite(fits, file.path(home, "whole_job_fits.csv"))
