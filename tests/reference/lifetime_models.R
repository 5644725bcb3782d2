# Lifetimes by R's survival and stats, for tests/analysis/lifetimes/test_lifetime_reference.py.
# Run from this folder:  Rscript lifetime_models.R
# Writes lifetime_models_sources.csv and lifetime_models_rows.csv (simulated sources, and the
# stretches between their trials) and lifetime_models_fits.csv.
suppressMessages(library(survival))
set.seed(31)

n <- 60
group <- rep(0:1, each = n / 2)
sources <- data.frame()
rows <- data.frame()
for (i in seq_len(n)) {
  fails <- 260 * exp(0.4 * group[i]) * rexp(1)^(1 / 1.5)
  tries <- cumsum(sample(8:40, 40, replace = TRUE))
  cycles <- cumsum(rbinom(40, 1, runif(1, 0.3, 0.9)))
  tries <- tries[tries <= max(runif(1, 150, 600), tries[2])]
  shown <- which(tries >= fails)[1]
  last <- if (is.na(shown)) length(tries) else shown
  low <- if (is.na(shown)) tries[last] else if (shown == 1) 0 else tries[shown - 1]
  high <- if (is.na(shown)) NA else tries[shown]
  sources <- rbind(sources, data.frame(low = low, high = high, exit = tries[last],
                                       event = as.integer(!is.na(shown)), group = group[i]))
  begins <- c(0, tries[seq_len(last)][-last])
  rows <- rbind(rows, data.frame(id = i, start = begins, stop = tries[seq_len(last)],
                                 event = as.integer(seq_len(last) == last & !is.na(shown)),
                                 cycles = c(0, cycles[seq_len(last)][-last])))
}
write.csv(sources, "lifetime_models_sources.csv", row.names = FALSE)
write.csv(rows, "lifetime_models_rows.csv", row.names = FALSE)

fits <- data.frame()
keep <- function(fit, term, value, error = NA) {
  fits <<- rbind(fits, data.frame(fit = fit, term = term, value = value, error = error))
}

weibull <- survreg(Surv(low, high, type = "interval2") ~ group,
                   data = transform(sources, low = ifelse(low == 0, NA, low)), dist = "weibull",
                   control = survreg.control(rel.tolerance = 1e-12))
errors <- sqrt(diag(weibull$var))
keep("weibull", "(Intercept)", coef(weibull)[[1]], errors[1])
keep("weibull", "group", coef(weibull)[[2]], errors[2])
keep("weibull", "log scale", log(weibull$scale), errors[3])
keep("weibull", "log likelihood", weibull$loglik[2])

cox <- coxph(Surv(start, stop, event) ~ cycles, data = rows, ties = "efron")
keep("cox efron", "cycles", coef(cox)[[1]], sqrt(vcov(cox)[1, 1]))

periods <- do.call(rbind, lapply(split(rows, rows$id), function(own) {
  k <- seq_len(nrow(own))
  data.frame(id = own$id, period = k, event = own$event)
}))
discrete <- glm(event ~ period, family = binomial("cloglog"), data = periods,
                control = glm.control(epsilon = 1e-14, maxit = 100))
keep("by period", "(Intercept)", coef(discrete)[[1]])
keep("by period", "period", coef(discrete)[[2]])
keep("by period", "log likelihood", as.numeric(logLik(discrete)))

fits$survival <- as.character(packageVersion("survival"))
write.csv(fits, "lifetime_models_fits.csv", row.names = FALSE)
