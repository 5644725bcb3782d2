# Profile-likelihood limits of cycles and age by lme4's own profile().
#
#     Rscript tests/reference/profile.R > tests/reference/profile_lme4.csv
#
# Run from the repository's root. The columns are those of mixed_cases.py for
# the case small_unit. lme4 reads a limit off a spline through about ten
# profiled points, which is good to a few thousandths of a standard error.
suppressMessages(library(lme4))
d <- read.csv("tests/reference/small_unit.csv")
d$cycles <- d$cycles - 12
d$age_days <- d$age_days / 30 - 12
d$log2_set_min <- log2(d$set_min / 30)
d$temperature_c <- d$temperature_c - 15
d$wind_m_s <- d$wind_m_s - 3
fit <- glmer(found ~ cycles + age_days + log2_set_min + temperature_c + wind_m_s +
               (1 | dog) + (1 | source), d, binomial,
             control = glmerControl(optimizer = "bobyqa", tolPwrss = 1e-11))
profiled <- profile(fit, which = c("cycles", "age_days"), devtol = 1e-6)
errors <- sqrt(diag(as.matrix(vcov(fit))))[c("cycles", "age_days")]
cat("# R ", as.character(getRversion()), ", lme4 ",
    as.character(packageVersion("lme4")), "\n", sep = "")
cat("term,std_error,confidence,low,high\n")
for (level in c(0.8, 0.9, 0.95, 0.99)) {
  limits <- confint(profiled, level = level)
  for (term in rownames(limits))
    cat(sprintf("%s,%.10f,%.2f,%.10f,%.10f\n", term, errors[term], level,
                limits[term, 1], limits[term, 2]))
}
