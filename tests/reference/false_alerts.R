# Counts of false alerts by R, for tests/analysis/searches/test_false_alerts.py.
# Run from this folder:  Rscript false_alerts.R
# Writes false_alerts_trials.csv (simulated trials), false_alerts_fits.csv and
# false_alerts_intervals.csv (exact intervals).
suppressMessages({library(MASS); library(lme4)})
set.seed(53)

n <- 420
source_no <- sample(16, n, replace = TRUE, prob = seq(1, 3, length.out = 16))
dog_no <- sample(5, n, replace = TRUE)
age <- runif(16, 20, 500)[source_no] + runif(n, 0, 300)
cycles <- rpois(n, 2 + age / 60)
hours <- round(runif(n, 0.05, 0.5), 4)
strength <- rnorm(16, 0, 0.5)[source_no]
pace <- rnorm(5, 0, 0.4)[dog_no]
rate <- exp(0.2 + 0.03 * cycles + strength + pace)
trials <- data.frame(
  trial_id = sprintf("T%04d", seq_len(n)), source_id = sprintf("S%02d", source_no),
  dog_id = sprintf("D%d", dog_no), result = "find", search_s = 3600 * hours,
  false_alerts = rnbinom(n, mu = rate * hours, size = 0.7), cycles = cycles,
  age_days = round(age, 2)
)
write.csv(trials, "false_alerts_trials.csv", row.names = FALSE)

d <- transform(trials, age_30 = age_days / 30, hours = search_s / 3600)
out <- data.frame()
keep <- function(fit, term, estimate, std_error = NA) {
  out <<- rbind(out, data.frame(fit = fit, term = term, estimate = estimate,
                                std_error = std_error))
}
# Errors clustered by source, without a small-sample factor, by hand: scores by source
# between inverses of the Hessian (not of its expectation).
by_source <- function(model, y, mu, weight, hessian) {
  x <- model.matrix(model)
  bread <- solve(t(x) %*% (x * hessian))
  scores <- rowsum(x * ((y - mu) * weight / mu), d$source_id)
  sqrt(diag(bread %*% crossprod(scores) %*% bread))
}
m <- glm(false_alerts ~ cycles + age_30 + dog_id + offset(log(hours)), poisson, d,
         control = glm.control(epsilon = 1e-13))
mu <- fitted(m)
keep("Poisson", names(coef(m)), coef(m), sqrt(diag(vcov(m))))
keep("Poisson clustered", names(coef(m)), coef(m), by_source(m, d$false_alerts, mu, mu, mu))
keep("Poisson", "log-likelihood", as.numeric(logLik(m)))
b <- glm.nb(false_alerts ~ cycles + age_30 + dog_id + offset(log(hours)), d,
            control = glm.control(epsilon = 1e-13, maxit = 200))
mu <- fitted(b)
keep("negative binomial", names(coef(b)), coef(b))
keep("negative binomial", "dispersion", 1 / b$theta)
keep("negative binomial", "log-likelihood", as.numeric(logLik(b)))
keep("negative binomial clustered", names(coef(b)), coef(b),
     by_source(b, d$false_alerts, mu, mu / (1 + mu / b$theta),
               mu * (1 + d$false_alerts / b$theta) / (1 + mu / b$theta)^2))
# With nAGQ = 0 the coefficients maximise the penalised likelihood at the variance found.
g <- glmer(false_alerts ~ cycles + age_30 + dog_id + offset(log(hours)) + (1 | source_id), d,
           poisson, nAGQ = 0)
keep("Poisson source effect", names(fixef(g)), fixef(g), sqrt(diag(as.matrix(vcov(g)))))
keep("Poisson source effect", "variance", VarCorr(g)$source_id[1, 1])
out$estimate <- signif(out$estimate, 12)
out$std_error <- signif(out$std_error, 12)
write.csv(out, "false_alerts_fits.csv", row.names = FALSE)

intervals <- data.frame()
for (count in c(0, 1, 3, 10, 55)) for (level in c(0.90, 0.95)) {
  found <- poisson.test(count, 12.5, conf.level = level)
  intervals <- rbind(intervals, data.frame(count = count, hours = 12.5, level = level,
                                           low = found$conf.int[1], high = found$conf.int[2]))
}
write.csv(intervals, "false_alerts_intervals.csv", row.names = FALSE)
