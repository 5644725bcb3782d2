# How soon finds come by lme4, for tests/models/test_linear_mixed.py and
# tests/analysis/searches/test_search_time.py.
# Run from this folder:  Rscript search_time.R
# Writes search_time_trials.csv (simulated trials) and search_time_fits.csv.
suppressMessages(library(lme4))
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

d <- subset(transform(trials, age_30 = age_days / 30), result == "find")
# Without what the dogs and the sources add, so that their spread comes out as none.
d$alone <- resid(lm(log(search_s) ~ dog_id + source_id, d))
out <- data.frame()
keep <- function(fit, term, estimate, std_error = NA) {
  out <<- rbind(out, data.frame(fit = fit, term = term, estimate = signif(estimate, 12),
                                std_error = signif(std_error, 12), row.names = NULL))
}
closely <- lmerControl(optimizer = "bobyqa",
                       optCtrl = list(rhobeg = 0.1, rhoend = 1e-10, maxfun = 1e5))
for (left in c("alone", "log(search_s)")) {
  terms <- "~ cycles + age_30 + wind_m_s + (1 | source_id) + (1 | dog_id)"
  m <- suppressMessages(lmer(as.formula(paste(left, terms)), d, control = closely))
  keep(left, names(fixef(m)), fixef(m), sqrt(diag(as.matrix(vcov(m)))))
  keep(left, "sd source", attr(VarCorr(m)$source_id, "stddev"))
  keep(left, "sd dog", attr(VarCorr(m)$dog_id, "stddev"))
  keep(left, "sd residual", sigma(m))
  keep(left, "restricted log-likelihood", as.numeric(logLik(m)))
}
for (name in c("source_id", "dog_id")) {
  modes <- ranef(m)[[name]]
  keep(left, paste("effect", rownames(modes)), modes[["(Intercept)"]])
}
write.csv(out, "search_time_fits.csv", row.names = FALSE)
