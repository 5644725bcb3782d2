# lme4 on the sets of random_sets.py, which writes them first into the folder random_sets:
#
#     python tests/reference/run_r.py random_sets
#
# runs this script from the repository's root. It writes random_sets_lme4.csv, a row for each set,
# and random_sets_lme4_terms.csv, a row for each estimate.
#
# Each model is fitted by three optimizers from glmer's own start, by one from near zero and one from
# far away (small sets may have several maxima), and once more from the best of these. Tolerances are those of mixed.R,
# where they are explained. glmer's log-likelihood still belongs to the last step but one of its
# inner search, and an optimizer takes whatever that gains: so the likelihood is worked out anew at
# each end, to the last digit, and the best is the one that has most of that (log_likelihood);
# glmer's own stands beside it (by_glmer). An end with every standard deviation below 4 (of slopes:
# per standard deviation of the column) goes before any beyond, where Laplace's approximation has
# maxima that the likelihood has not; the most reached there, if it is more, is told (beyond).
# Standard errors are from the second derivatives of the deviance by differences; where these are
# not those of a maximum, glmer falls back on errors that take the spreads as known (errors:
# "hessian" or "given spreads").
suppressMessages(library(lme4))
home <- "tests/reference"

sets <- read.csv(file.path(home, "random_sets", "sets.csv"), colClasses = "character",
                 na.strings = NULL)

formula_of <- function(set) {
  words <- function(text) strsplit(text, " ")[[1]]
  random <- vapply(words(set$groups), function(g) {
    inner <- if (g == set$slope_group) paste("1 +", set$slope_column) else "1"
    sprintf("(%s | %s)", inner, g)
  }, "")
  known <- if (set$offset == "1") "offset(offset)"
  as.formula(paste("y ~", paste(c("1", words(set$fixed), known, random), collapse = " + ")))
}

bobyqa <- list("bobyqa", list(rhobeg = 0.02, rhoend = 1e-9, maxfun = 2e4))
optimizers <- list(
  bobyqa = bobyqa,
  nloptwrap = list("nloptwrap", list(xtol_abs = 1e-10, ftol_abs = 1e-10, maxeval = 2e4)),
  nelder_mead = list("Nelder_Mead", list(FtolAbs = 1e-10, FtolRel = 1e-14, XtolRel = 1e-10,
                                         maxfun = 2e4)),
  low = bobyqa,
  far = list("bobyqa", list(rhobeg = 0.5, rhoend = 1e-9, maxfun = 2e4))
)

run <- function(formula, d, optimizer, start = NULL, derivatives = FALSE) {
  said <- character()
  fit <- tryCatch(withCallingHandlers(
    glmer(formula, data = d, family = binomial, start = start, control = glmerControl(
      optimizer = optimizer[[1]], optCtrl = optimizer[[2]], tolPwrss = 1e-11,
      calc.derivs = derivatives, check.conv.singular = "ignore")),
    warning = function(w) { said <<- c(said, conditionMessage(w)); invokeRestart("muffleWarning") },
    message = function(m) { said <<- c(said, conditionMessage(m)); invokeRestart("muffleMessage") }),
    error = function(e) { said <<- c(said, conditionMessage(e)); NULL })
  list(fit = fit, said = said)
}

# Laplace's log-likelihood at the fit's own values, by Newton's steps to the last digit.
likelihood_at <- function(fit) {
  z <- t(as.matrix(getME(fit, "Lambdat") %*% getME(fit, "Zt")))
  y <- getME(fit, "y")
  fixed <- drop(getME(fit, "X") %*% fixef(fit)) + getME(fit, "offset")
  density <- function(u) {
    eta <- fixed + drop(z %*% u)
    sum(plogis((2 * y - 1) * eta, log.p = TRUE)) - sum(u^2) / 2
  }
  u <- numeric(ncol(z))
  for (step in 1:200) {
    mu <- plogis(fixed + drop(z %*% u))
    root <- chol(crossprod(z * sqrt(mu * (1 - mu))) + diag(ncol(z)))
    by <- drop(backsolve(root, backsolve(root, crossprod(z, y - mu) - u, transpose = TRUE)))
    if (max(abs(by)) < 1e-9) return(density(u) - sum(log(diag(root))))
    while (density(u + by) < density(u) - 1e-10) by <- by / 2
    u <- u + by
  }
  NA_real_
}

# Errors of the spreads as they are reported, from those of the factor theta (delta method). A spread
# of zero has none; the likelihood is even in it, so that it takes no part in the errors of others.
spread_errors <- function(fit) {
  theta <- getME(fit, "theta")
  terms <- lengths(getME(fit, "cnms"))
  first <- cumsum(c(1, head(terms * (terms + 1) / 2, -1)))
  free <- which(theta >= 1e-4 | getME(fit, "lower") < 0)
  none <- rep(NA_real_, sum(terms * (terms + 1) / 2))
  hessian <- fit@optinfo$derivs$Hessian
  if (is.null(hessian) || !all(first[terms > 1] %in% free)) return(none)
  kept <- c(free, seq(length(theta) + 1, ncol(hessian)))
  covariance <- tryCatch(solve(hessian[kept, kept] / 2), error = function(e) NULL)
  if (is.null(covariance) || any(diag(covariance) <= 0)) return(none)
  reported <- function(theta) unlist(Map(function(terms, at) {
    if (terms == 1) return(theta[at])
    slope <- sqrt(sum(theta[at + 1:2]^2))
    c(theta[at], slope, theta[at + 1] / slope)
  }, terms, first))
  change <- vapply(free, function(i) {
    h <- replace(numeric(length(theta)), i, 1e-5)
    (reported(theta + h) - reported(theta - h)) / 2e-5
  }, numeric(length(theta)))
  change <- matrix(change, nrow = length(theta))
  own <- seq_along(free)
  error <- sqrt(diag(change %*% covariance[own, own, drop = FALSE] %*% t(change)))
  ifelse(error > 0, error, NA_real_)
}

is_near <- function(fit, d, set) {
  column <- if (set$slope_column != "") d[[set$slope_column]] else 0
  scale <- c(1, sqrt(mean((column - mean(column))^2)))
  all(unlist(lapply(VarCorr(fit), function(s) attr(s, "stddev") * scale[seq_len(nrow(s))])) < 4)
}

digits <- function(value, number = 10) trimws(formatC(value, digits = number, format = "g"))
one_line <- function(text) gsub("[\",\n]+", " ", text)

fit_set <- function(set) {
  d <- read.csv(file.path(home, "random_sets", paste0(set$set, ".csv")))
  for (g in strsplit(set$groups, " ")[[1]]) d[[g]] <- factor(d[[g]])
  formula <- formula_of(set)
  theta <- unlist(lapply(strsplit(set$groups, " ")[[1]],
                         function(g) if (g == set$slope_group) c(1, 0, 0.3) else 2))
  starts <- list(low = list(theta = theta / 20), far = list(theta = theta))
  runs <- Map(function(o, name) run(formula, d, o, starts[[name]]), optimizers, names(optimizers))
  value_of <- function(r) {
    if (is.null(r$fit)) return(NA_real_)
    tryCatch(likelihood_at(r$fit), error = function(e) NA_real_)
  }
  reached <- vapply(runs, value_of, 0)
  row <- data.frame(set = set$set, log_likelihood = NA, by_glmer = NA, optimizer = "",
                    ended = sum(!is.na(reached)), apart = NA, beyond = NA, singular = NA,
                    gradient = NA, errors = "", refused = "")
  if (all(is.na(reached))) {
    said <- unlist(lapply(runs, function(r) tail(r$said, 1)))
    row$refused <- one_line(c(said, "no optimizer ended")[1])
    return(list(row = row, terms = NULL))
  }
  near <- vapply(runs, function(r) !is.null(r$fit) && is_near(r$fit, d, set), TRUE) &
    !is.na(reached)
  # Of the near ends, best first, the one from which the search does not run off; failing that, the
  # best of all.
  by_rank <- names(sort(reached, decreasing = TRUE))
  for (best in c(by_rank[near[by_rank]], by_rank[1])) {
    fit <- runs[[best]]$fit
    polished <- run(formula, d, bobyqa, list(theta = getME(fit, "theta"), fixef = fixef(fit)), TRUE)
    at <- value_of(polished)
    stays <- !is.na(at) && at >= reached[[best]] - 1e-7 &&
      is_near(polished$fit, d, set) == near[[best]]
    if (stays) break
  }
  if (stays) {
    fit <- polished$fit
    row$optimizer <- paste(best, "polished")
  } else {
    at <- reached[[best]]
    row$optimizer <- best
  }
  errors <- tryCatch({
    covariance <- withCallingHandlers(vcov(fit, use.hessian = TRUE),
      warning = function(w) stop(conditionMessage(w)))
    row$errors <- "hessian"
    covariance
  }, error = function(e) {
    row$errors <<- "given spreads"
    tryCatch(vcov(fit, use.hessian = FALSE), error = function(e) NULL)
  })
  row$log_likelihood <- digits(at)
  row$by_glmer <- digits(as.numeric(logLik(fit)))
  row$apart <- digits(diff(range(reached, na.rm = TRUE)), 2)
  beyond <- max(c(-Inf, reached[!is.na(reached) & !near]))
  if (near[[best]] && beyond > at + 1e-4) row$beyond <- digits(beyond)
  row$singular <- as.integer(isSingular(fit, tol = 1e-4))
  gradient <- fit@optinfo$derivs$gradient
  row$gradient <- if (is.null(gradient)) NA else digits(max(abs(gradient)), 2)
  spreads <- VarCorr(fit)
  of_spreads <- unlist(lapply(names(spreads), function(g) {
    found <- attr(spreads[[g]], "stddev")
    if (length(found) == 1) return(setNames(found, paste("sd", g)))
    setNames(c(found, attr(spreads[[g]], "correlation")[2, 1]),
             paste(c("sd", "slope sd", "correlation"), g))
  }))
  spread_error <- rep(NA_real_, length(of_spreads))
  if (row$errors == "hessian") spread_error <- spread_errors(fit)
  error <- if (is.null(errors)) rep(NA_real_, length(fixef(fit))) else sqrt(diag(as.matrix(errors)))
  error <- c(unname(error), unname(spread_error))
  terms <- data.frame(set = set$set, term = c(names(fixef(fit)), names(of_spreads)),
                      estimate = digits(c(fixef(fit), of_spreads)),
                      std_error = ifelse(is.finite(error), digits(error, 6), NA))
  list(row = row, terms = terms)
}

fitted <- parallel::mclapply(split(sets, factor(sets$set, sets$set)), fit_set,
                             mc.cores = 2, mc.preschedule = FALSE)
stopifnot(vapply(fitted, is.list, TRUE))
write <- function(part, name) {
  file <- file(file.path(home, name), "w")
  writeLines(paste0("# R ", getRversion(), ", lme4 ", packageVersion("lme4")), file)
  write.csv(do.call(rbind, lapply(fitted, `[[`, part)), file, row.names = FALSE, quote = FALSE,
            na = "")
  close(file)
}
write("row", "random_sets_lme4.csv")
write("terms", "random_sets_lme4_terms.csv")
