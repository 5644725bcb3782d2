# Late-entry Kaplan-Meier curve by R's survival package, for tests/analysis/lifetimes/test_lifetime.py.
# Run from this folder:  Rscript lifetime.R
# Writes lifetime_followed.csv (simulated sources), lifetime_km.csv and lifetime_median.csv.
suppressMessages(library(survival))
set.seed(20)

n <- 40
entry <- round(rexp(n, 1 / 60), 1)
failing <- entry + round(rweibull(n, 1.4, 260), 1) + 0.1
ending <- entry + round(runif(n, 20, 420), 1) + 0.1
followed <- data.frame(
  entry = entry,
  exit = pmin(failing, ending),
  event = as.integer(failing <= ending)
)
# Sources that enter at the very moment another one fails: entry is exclusive.
failed <- sort(followed$exit[followed$event == 1])
followed <- rbind(followed, data.frame(entry = failed[c(3, 6)], exit = failed[c(3, 6)] + 95.5,
                                       event = c(1L, 0L)))
write.csv(followed, "lifetime_followed.csv", row.names = FALSE)

# The first day from which three are followed without a break, up to the day on which
# most are; and the day before the third last leaves.
edges <- sort(unique(c(followed$entry, followed$exit)))
at_risk <- sapply(edges[-1], function(t) sum(followed$entry < t & followed$exit >= t))
most <- which.max(at_risk)
few <- which(at_risk < 3)
first <- if (any(few < most)) max(few[few < most]) + 1 else 1
last <- if (any(few > most)) min(few[few > most]) - 1 else length(at_risk)
from <- edges[first]
to <- edges[last + 1]

curve <- survfit(Surv(entry, exit, event) ~ 1, data = followed, conf.type = "log-log",
                 start.time = from)
steps <- summary(curve)
keep <- steps$time <= to
write.csv(
  data.frame(time = steps$time, n_risk = steps$n.risk, probability = steps$surv,
             low = steps$lower, high = steps$upper)[keep, ],
  "lifetime_km.csv", row.names = FALSE
)
half <- quantile(curve, 0.5)
write.csv(
  data.frame(from = from, to = to, median = unname(half$quantile), low = unname(half$lower),
             high = unname(half$upper), survival = as.character(packageVersion("survival"))),
  "lifetime_median.csv", row.names = FALSE
)
