# Linear mixed models by restricted maximum likelihood, by lme4.
#
#     Rscript tests/reference/linear_mixed.R > tests/reference/linear_mixed_lme4.csv
#
# Run from the repository's root. The outcome is the logarithm of the set time of large_unit.csv with
# a part for each dog and source added, since a set time has none of its own. `weighted`: rows count as
# their wind plus one. `sessions`: sessions beside dogs and sources.
suppressMessages(library(lme4))
d <- read.csv("tests/reference/large_unit.csv")
own <- function(labels, size) size * sin(as.integer(factor(labels)) * 12.9898)
d$y <- log(d$set_min) + own(d$dog, 0.3) + own(d$source, 0.6)
d$age <- d$age_days / 365
fixed <- "cycles + age + temperature_c"
control <- lmerControl(optimizer = "bobyqa", optCtrl = list(rhoend = 1e-10, maxfun = 1e5))
fit <- function(random, weights = 1) {
  d$w <- weights
  lmer(as.formula(paste("y ~", fixed, "+", random)), d, REML = TRUE, weights = w, control = control)
}
fits <- list(crossed = fit("(1 | dog) + (1 | source)"),
             weighted = fit("(1 | dog) + (1 | source)", d$wind_m_s + 1),
             sessions = fit("(1 | dog) + (1 | source) + (1 | session)"))
cat("# R ", as.character(getRversion()), ", lme4 ",
    as.character(packageVersion("lme4")), "\n", sep = "")
cat("fit,what,value\n")
for (name in names(fits)) {
  one <- fits[[name]]
  say <- function(what, value) cat(sprintf("%s,%s,%.10f\n", name, what, value), sep = "")
  say(paste("beta", 0:3), fixef(one))
  covariance <- as.matrix(vcov(one))
  say(paste("cov", row(covariance) - 1, col(covariance) - 1), as.vector(covariance))
  spreads <- as.data.frame(VarCorr(one))
  say(paste("sd of", spreads$grp), spreads$sdcor)
  say("restricted", as.numeric(logLik(one)))
  modes <- ranef(one)$dog
  say(paste("effect of", rownames(modes)), modes[, 1])
}
