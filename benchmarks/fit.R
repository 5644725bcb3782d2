# Fit the trials of a CSV with lme4 and say how long it took.
#
#     Rscript benchmarks/fit.R TRIALS.csv COLUMNS...
#
# Prints JSON: seconds of glmer (nAGQ 1, default optimizer and tolerance, as a
# person would call it), the log-likelihood, the estimates and the versions.
suppressMessages({library(lme4); library(jsonlite)})
arguments <- commandArgs(trailingOnly = TRUE)
trials <- read.csv(arguments[1])
trials$dog <- factor(trials$dog)
trials$source <- factor(trials$source)
formula <- as.formula(paste("found ~", paste(arguments[-1], collapse = " + "),
                            "+ (1 | source) + (1 | dog)"))
# Derivatives after the fit are part of it: without them there are no errors to report.
seconds <- system.time(fit <- suppressMessages(suppressWarnings(
  glmer(formula, data = trials, family = binomial))))["elapsed"]
peak <- grep("^VmHWM", readLines("/proc/self/status"), value = TRUE)
peak_gb <- as.numeric(gsub("[^0-9]", "", peak)) * 1024 / 1e9
cat(toJSON(list(peak_gb = peak_gb, seconds = unname(seconds), log_likelihood = as.numeric(logLik(fit)),
                beta = unname(fixef(fit)), r = as.character(getRversion()),
                lme4 = as.character(packageVersion("lme4"))),
           auto_unbox = TRUE, digits = 12))
