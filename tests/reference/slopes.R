# Conditional modes of random slopes by lme4, on the case large_unit_slope of mixed_cases.py.
#
#     Rscript tests/reference/slopes.R > tests/reference/slopes_lme4.csv
#
# Run from the repository's root.
suppressMessages(library(lme4))
d <- read.csv("tests/reference/large_unit.csv")
d$cycles <- d$cycles - 12
d$age_days <- d$age_days / 30 - 12
d$log2_set_min <- log2(d$set_min / 30)
d$temperature_c <- d$temperature_c - 15
d$wind_m_s <- d$wind_m_s - 3
fit <- glmer(found_slope ~ cycles + age_days + log2_set_min + temperature_c + wind_m_s +
               (1 | dog) + (1 + cycles | source), d, binomial,
             control = glmerControl(optimizer = "bobyqa", tolPwrss = 1e-11,
                                    optCtrl = list(rhoend = 1e-9, maxfun = 2e5)))
modes <- ranef(fit)$source
cat("# R ", as.character(getRversion()), ", lme4 ",
    as.character(packageVersion("lme4")), "\n", sep = "")
cat("source,intercept,slope\n")
cat(sprintf("%s,%.10f,%.10f\n", rownames(modes), modes[, 1], modes[, 2]), sep = "")
