# Search times by R's survival package, for tests/analysis/searches/test_search_time.py.
# Run from this folder:  Rscript search_time.R
# Writes search_time_trials.csv (simulated trials) and search_time_fits.csv.
suppressMessages(library(survival))
set.seed(31)

n <- 360
source_no <- sample(18, n, replace = TRUE, prob = seq(1, 3, length.out = 18))
dog_no <- sample(5, n, replace = TRUE)
age <- runif(18, 20, 500)[source_no] + runif(n, 0, 300)
cycles <- rpois(n, 2 + age / 60)
wind <- round(rexp(n, 1 / 2), 1)
strength <- rnorm(18, 0, 0.4)[source_no]
pace <- rnorm(5, 0, 0.3)[dog_no]
seconds <- exp(5 + 0.03 * cycles + 0.01 * age / 30 + 0.05 * wind + strength + pace +
                 0.6 * log(rexp(n)))
limit <- sample(c(300, 600), n, replace = TRUE)
# Whole tens of seconds: many tied times.
trials <- data.frame(
  trial_id = sprintf("T%04d", seq_len(n)), source_id = sprintf("S%02d", source_no),
  dog_id = sprintf("D%d", dog_no), result = ifelse(seconds < limit, "find", "miss"),
  search_s = pmax(10, 10 * ceiling(pmin(seconds, limit) / 10)), limit_s = limit,
  cycles = cycles, age_days = round(age, 2), wind_m_s = wind
)
write.csv(trials, "search_time_trials.csv", row.names = FALSE)

d <- transform(trials, age_30 = age_days / 30, found = as.integer(result == "find"))
out <- data.frame()
keep <- function(fit, term, estimate, std_error = NA, p = NA) {
  out <<- rbind(out, data.frame(fit = fit, term = term, estimate = estimate,
                                std_error = std_error, p = p))
}
for (ties in c("efron", "breslow")) {
  m <- coxph(Surv(search_s, found) ~ cycles + age_30 + wind_m_s + strata(dog_id),
             data = d, cluster = source_id, ties = ties)
  s <- summary(m)$coefficients
  keep(paste0("cox ", ties), rownames(s), s[, "coef"], s[, "robust se"], s[, "Pr(>|z|)"])
  keep(paste0("cox ", ties, " model-based"), rownames(s), s[, "coef"], s[, "se(coef)"])
  keep(paste0("cox ", ties), "log-likelihood", m$loglik[2], NA)
}
m <- coxph(Surv(search_s, found) ~ cycles + age_30 + wind_m_s + strata(dog_id), data = d)
z <- cox.zph(m, transform = "km")$table
keep("proportional hazards", rownames(z), z[, "chisq"], NA, z[, "p"])
for (family in c("weibull", "loglogistic")) {
  m <- survreg(Surv(search_s, found) ~ cycles + age_30 + wind_m_s + dog_id, data = d,
               cluster = source_id, dist = family)
  s <- summary(m)$table
  keep(family, rownames(s), s[, "Value"], s[, "Std. Err"])
  naive <- survreg(Surv(search_s, found) ~ cycles + age_30 + wind_m_s + dog_id, data = d,
                   dist = family)
  s <- summary(naive)$table
  keep(paste(family, "model-based"), rownames(s), s[, "Value"], s[, "Std. Error"])
  keep(family, "log-likelihood", m$loglik[2], NA)
  keep(family, "AIC", AIC(m), NA)
}
# A normal effect of the source on the log hazard: at a variance of 0.1, and at that of REML.
for (variance in c(0.1, NA)) {
  by_source <- if (is.na(variance)) {
    quote(frailty(source_id, distribution = "gauss", sparse = FALSE))
  } else {
    quote(frailty(source_id, distribution = "gauss", theta = 0.1, sparse = FALSE))
  }
  m <- eval(bquote(coxph(
    Surv(search_s, found) ~ cycles + age_30 + wind_m_s + .(by_source) + strata(dog_id),
    data = d, control = coxph.control(eps = 1e-11, iter.max = 50)
  )))
  name <- paste("cox source effect", if (is.na(variance)) "REML" else variance)
  keep(name, names(coef(m))[1:3], coef(m)[1:3], sqrt(diag(m$var))[1:3])
  keep(name, "variance", m$history[[1]]$theta)
}
# On the log time survreg takes no frailty, but a ridge penalty of 1 / variance is the same.
is_source <- sapply(sort(unique(d$source_id)), function(s) as.numeric(d$source_id == s))
for (family in c("weibull", "loglogistic")) {
  m <- survreg(Surv(search_s, found) ~ cycles + age_30 + wind_m_s + dog_id +
                 ridge(is_source, theta = 10, scale = FALSE), data = d, dist = family,
               control = survreg.control(rel.tolerance = 1e-12, maxiter = 100))
  keep(paste(family, "source effect 0.1"), names(coef(m))[1:8], coef(m)[1:8],
       sqrt(diag(m$var))[1:8])
  keep(paste(family, "source effect 0.1"), "Log(scale)", log(m$scale),
       sqrt(m$var[nrow(m$var), nrow(m$var)]))
}
out$estimate <- signif(out$estimate, 12)
out$std_error <- signif(out$std_error, 12)
out$p <- signif(out$p, 12)
write.csv(out, "search_time_fits.csv", row.names = FALSE)
