# The criterion of lme4 at given spreads: fixed effects at the penalised mode.
#
#     Rscript tests/reference/given_spreads.R > tests/reference/given_spreads_lme4.csv
#
# Run from the repository's root. The columns are those of mixed_cases.py for
# the case small_unit. With nAGQ = 0 glmer's deviance function takes the spreads
# alone and finds the fixed effects with the random ones, so it can be asked at
# any spread. `restricted` adds what integrating the fixed effects out takes off:
# half the log-determinant of their information given the random effects.
suppressMessages(library(lme4))
d <- read.csv("tests/reference/small_unit.csv")
d$cycles <- d$cycles - 12
d$age_days <- d$age_days / 30 - 12
d$log2_set_min <- log2(d$set_min / 30)
d$temperature_c <- d$temperature_c - 15
d$wind_m_s <- d$wind_m_s - 3
formula <- found ~ cycles + age_days + log2_set_min + temperature_c + wind_m_s +
  (1 | dog) + (1 | source)
tight <- glmerControl(optimizer = "bobyqa", tolPwrss = 1e-12)
deviance_at <- glmer(formula, d, binomial, nAGQ = 0, devFunOnly = TRUE, control = tight)
fit <- glmer(formula, d, binomial, nAGQ = 0, control = tight)
dog <- getME(fit, "theta")[["dog.(Intercept)"]]
order_of <- names(getME(fit, "theta"))
pp <- environment(deviance_at)$pp
cat("# R ", as.character(getRversion()), ", lme4 ",
    as.character(packageVersion("lme4")), "\n", sep = "")
cat("dog,source,log_likelihood,restricted,", paste0("beta", 0:5, collapse = ","), "\n", sep = "")
for (source in c(0, 0.1, 0.2, 0.3, 0.45, 0.6, 0.8, 1.0)) {
  theta <- c("dog.(Intercept)" = dog, "source.(Intercept)" = source)[order_of]
  # Asked twice: the log-determinant belongs to the step before the last.
  invisible(deviance_at(theta))
  log_likelihood <- -deviance_at(theta) / 2
  beta <- pp$beta(1)
  log_det <- 2 * sum(log(abs(diag(pp$RX()))))
  cat(sprintf("%.12f,%.2f,%.8f,%.8f,%s\n", dog, source, log_likelihood,
              log_likelihood - log_det / 2, paste(sprintf("%.8f", beta), collapse = ",")))
}
