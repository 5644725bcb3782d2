# One fit of several units by lme4: cycles and age in common, all else each unit's own.
#
#     Rscript tests/reference/pool.R > tests/reference/pool_lme4.csv
#
# Run from the repository's root. Level, other terms and both spreads are of each unit by
# itself, so that the likelihood is the sum of the units' profile likelihoods.
suppressMessages(library(lme4))
d <- read.csv("tests/reference/pool_units.csv")
own <- grep("^v[0-9]+$", names(d), value = TRUE)
one_fit <- function(units) {
  e <- d[d$unit %in% units, ]
  e$dog <- factor(paste(e$unit, e$dog))
  e$source <- factor(paste(e$unit, e$source))
  fixed <- c("cycles", "age")
  random <- c()
  for (u in units) {
    here <- as.numeric(e$unit == u)
    e[[paste0("u", u)]] <- here
    fixed <- c(fixed, paste0("u", u))
    for (v in own) {
      values <- e[[v]]
      if (all(is.na(values[here == 1]))) next
      name <- paste0("u", u, v)
      e[[name]] <- ifelse(here == 1, values, 0)
      fixed <- c(fixed, name)
    }
    random <- c(random, sprintf("(0 + u%d | dog)", u), sprintf("(0 + u%d | source)", u))
  }
  formula <- as.formula(paste("found ~ 0 +", paste(c(fixed, random), collapse = " + ")))
  glmer(formula, e, binomial,
        control = glmerControl(optimizer = "bobyqa", tolPwrss = 1e-10,
                               optCtrl = list(maxfun = 200000, rhoend = 1e-8)))
}
cat("# R ", as.character(getRversion()), ", lme4 ",
    as.character(packageVersion("lme4")), "\n", sep = "")
cat("units,term,estimate,std_error,log_likelihood\n")
for (units in list(1:2, 1:4)) {
  fit <- one_fit(units)
  found <- fixef(fit)
  errors <- sqrt(diag(as.matrix(vcov(fit))))
  for (term in c("cycles", "age"))
    cat(sprintf("%d,%s,%.8f,%.8f,%.6f\n", length(units), term, found[[term]],
                errors[[term]], as.numeric(logLik(fit))))
}
