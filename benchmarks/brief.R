# What an analyst would do with joined trials: four mixed models, with and without each exposure.
#
#     Rscript benchmarks/brief.R JOINED.csv
#
# Prints JSON: seconds from reading to the last fit, seconds of the fits alone, peak GB, versions.
begin <- proc.time()[["elapsed"]]
suppressMessages({library(lme4); library(jsonlite)})
trials <- read.csv(commandArgs(trailingOnly = TRUE)[1], stringsAsFactors = TRUE)
trials <- trials[trials$result %in% c("find", "miss") & !(trials$assisted %in% "yes"), ]
trials$found <- as.integer(trials$result == "find")
trials$months <- trials$age_days / 30
trials$set <- log2(trials$set_min / 30)
terms <- c("kind", "set", "temperature_c", "humidity_pct", "wind_m_s", "blinding", "placement")
varies <- function(name) name %in% names(trials) && length(unique(na.omit(trials[[name]]))) > 1
terms <- Filter(varies, terms)
groups <- c("dog_id", "source_id")
if (varies("hide_id")) groups <- c(groups, "hide_id")
fit <- function(exposures) {
  right <- c(exposures, terms, paste0("(1 | ", groups, ")"))
  suppressMessages(suppressWarnings(
    glmer(reformulate(right, "found"), data = trials, family = binomial)))
}
from <- proc.time()[["elapsed"]]
fits <- lapply(list(c("cycles", "months"), "cycles", "months", character(0)), fit)
end <- proc.time()[["elapsed"]]
peak <- grep("^VmHWM", readLines("/proc/self/status"), value = TRUE)
cat(toJSON(list(seconds = end - begin, fits_s = end - from, trials = nrow(trials),
                busy = sum(proc.time()[c("user.self", "sys.self")]),
                peak_gb = as.numeric(gsub("[^0-9]", "", peak)) * 1024 / 1e9,
                log_likelihood = sapply(fits, function(f) as.numeric(logLik(f))),
                version = paste0("R ", getRversion(), ", lme4 ", packageVersion("lme4"))),
           auto_unbox = TRUE, digits = 12))
