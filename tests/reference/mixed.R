# Fit every case of mixed_cases.py with lme4 at tight tolerances.
#
#     Rscript mixed.R CASES.json FOLDER OUT.json
#
# CASES.json names the cases with their fixed effects, groupings and slope;
# FOLDER holds one CSV for each. Each model is fitted by four optimizers; the
# best log-likelihood is kept and all of them are stored, so that a reader sees
# whether they agree (null: that optimizer stopped with an error).
#
# tolPwrss is far below lme4's default (1e-7). The log-determinant in glmer's
# Laplace criterion belongs to the step before the last, so a loose tolerance
# shifts the criterion itself: at 1e-8 to 1e-10 the log-likelihoods below still
# jump by up to 1e-3, and optimizers disagree; at 1e-11 they agree to 1e-5. Much
# below that, rounding makes its step-halving fail.
suppressMessages({library(lme4); library(jsonlite)})

arguments <- commandArgs(trailingOnly = TRUE)
cases <- fromJSON(arguments[1], simplifyDataFrame = FALSE)
folder <- arguments[2]

tol_pwrss <- 1e-11

quoted <- function(names) paste0("`", names, "`")

formula_of <- function(case) {
  random <- vapply(case$groups, function(g) {
    if (!is.null(case$slope) && case$slope[1] == g)
      sprintf("(1 + `%s` | `%s`)", case$slope[2], g)
    else sprintf("(1 | `%s`)", g)
  }, "")
  as.formula(paste("y ~", paste(c(quoted(case$names[-1]), random), collapse = " + ")))
}

optimizers <- list(
  bobyqa = list("bobyqa", list(rhobeg = 0.02, rhoend = 1e-9, maxfun = 2e5)),
  nlminb = list("nlminbwrap", list(rel.tol = 1e-14, x.tol = 1e-12, eval.max = 1e5, iter.max = 1e5)),
  nelder_mead = list("Nelder_Mead", list(FtolAbs = 1e-10, FtolRel = 1e-14, XtolRel = 1e-10, maxfun = 1e5)),
  nlopt = list("nloptwrap", list(xtol_abs = 1e-10, ftol_abs = 1e-10, maxeval = 1e5))
)

# The four-point central difference: error of order h^4, so that the Hessian
# owes nothing to lme4's own two-point step.
hessian <- function(f, x, step) {
  k <- length(x)
  h <- matrix(0, k, k)
  weights <- c(1, -8, 8, -1) / 12
  offsets <- c(-2, -1, 1, 2)
  for (i in seq_len(k)) for (j in seq_len(i)) {
    total <- 0
    for (a in 1:4) for (b in 1:4) {
      at <- x
      at[i] <- at[i] + offsets[a] * step[i]
      at[j] <- at[j] + offsets[b] * step[j]
      total <- total + weights[a] * weights[b] * f(at)
    }
    h[i, j] <- h[j, i] <- total / (step[i] * step[j])
  }
  h
}

# Variance of x'beta plus the row's own random effects, from the inverse of the
# joint information of beta and the unit-variance effects at the mode.
# (predict(se.fit = TRUE) came to lme4 after 1.1-31.)
prediction_variance <- function(fit, rows) {
  design <- cbind(getME(fit, "X"), as.matrix(t(getME(fit, "Lambdat") %*% getME(fit, "Zt"))))
  weight <- fitted(fit) * (1 - fitted(fit))
  information <- crossprod(design * sqrt(weight))
  random <- seq(ncol(getME(fit, "X")) + 1, ncol(design))
  diag(information)[random] <- diag(information)[random] + 1
  at <- design[rows, , drop = FALSE]
  unname(diag(at %*% solve(information, t(at))))
}

fit_case <- function(case, name) {
  d <- read.csv(file.path(folder, paste0(name, ".csv")), check.names = FALSE)
  for (g in case$groups) d[[g]] <- factor(d[[g]])
  fits <- lapply(optimizers, function(o) tryCatch(
    suppressWarnings(glmer(formula_of(case), data = d, family = binomial,
      control = glmerControl(optimizer = o[[1]], optCtrl = o[[2]], tolPwrss = tol_pwrss))),
    error = function(e) NULL))
  log_likelihoods <- vapply(fits, function(f)
    if (is.null(f)) NA_real_ else as.numeric(logLik(f)), 0)
  best <- names(which.max(log_likelihoods))
  fit <- fits[[best]]
  beta <- fixef(fit)
  theta <- getME(fit, "theta")
  vcov_lme4 <- as.matrix(vcov(fit, use.hessian = TRUE))
  singular <- isSingular(fit, tol = 1e-4)

  # At a boundary the Hessian in theta is not defined there; hold those at zero.
  free <- theta > 1e-4 | getME(fit, "lower") < 0
  o <- optimizers[[best]]
  deviance_at <- suppressWarnings(glmer(formula_of(case), data = d, family = binomial,
    devFunOnly = TRUE, control = glmerControl(optimizer = o[[1]], optCtrl = o[[2]], tolPwrss = tol_pwrss)))
  at <- c(theta[free], beta)
  value <- function(p) {
    full <- theta
    full[!free] <- 0
    full[free] <- p[seq_len(sum(free))]
    deviance_at(c(full, p[-seq_len(sum(free))]))
  }
  se <- sqrt(diag(vcov_lme4))
  step <- c(rep(0.01, sum(free)), 0.05 * se)
  central <- solve(hessian(value, at, step) / 2)
  keep <- sum(free) + seq_along(beta)

  rows <- round(seq(1, nrow(d), length.out = 20))

  modes <- ranef(fit, condVar = TRUE)
  effects <- lapply(modes, function(m) {
    variance <- attr(m, "postVar")
    list(level = rownames(m), effect = m[["(Intercept)"]], std_error = sqrt(variance[1, 1, ]))
  })
  sds <- VarCorr(fit)
  slope_sd <- slope_correlation <- NULL
  if (!is.null(case$slope)) {
    of <- sds[[case$slope[1]]]
    slope_sd <- setNames(list(unname(attr(of, "stddev")[2])), case$slope[1])
    slope_correlation <- attr(of, "correlation")[2, 1]
  }
  list(
    names = names(beta), beta = unname(beta), std_error = unname(se), cov = unname(vcov_lme4),
    std_error_central = unname(sqrt(diag(central))[keep]),
    cov_central = unname(central[keep, keep, drop = FALSE]),
    sd = lapply(sds, function(s) unname(attr(s, "stddev")[1])),
    slope_sd = slope_sd, slope_correlation = slope_correlation,
    effects = effects[case$groups],
    prediction_rows = rows - 1,
    prediction_variance = if (is.null(case$slope)) prediction_variance(fit, rows),
    log_likelihood = as.numeric(logLik(fit)), df = attr(logLik(fit), "df"),
    singular = singular, optimizer = best, log_likelihoods = as.list(log_likelihoods)
  )
}

results <- mapply(fit_case, cases, names(cases), SIMPLIFY = FALSE)

# The 56 grouped rows: the likelihood differs from the 842 binary ones by the
# binomial coefficients alone, and this is the value that lme4's help prints.
grouped <- suppressWarnings(glmer(cbind(incidence, size - incidence) ~ period + (1 | herd),
  data = cbpp, family = binomial, control = glmerControl(
    optimizer = "bobyqa", optCtrl = optimizers$bobyqa[[2]], tolPwrss = tol_pwrss)))
results$cbpp$log_likelihood_grouped <- as.numeric(logLik(grouped))
results$cbpp$log_choose <- sum(lchoose(cbpp$size, cbpp$incidence))

# Default tolerances, as in lme4's help page: what the literature prints.
loose <- suppressWarnings(glmer(cbind(incidence, size - incidence) ~ period + (1 | herd),
  data = cbpp, family = binomial))
results$cbpp$default_tolerances <- list(
  beta = unname(fixef(loose)), std_error = unname(sqrt(diag(as.matrix(vcov(loose))))),
  sd = unname(attr(VarCorr(loose)$herd, "stddev")), log_likelihood = as.numeric(logLik(loose)))

made_by <- list(R = as.character(getRversion()), lme4 = as.character(packageVersion("lme4")))
write_json(list(made_by = made_by, cases = results), arguments[3],
           digits = 12, auto_unbox = TRUE, null = "null", na = "null", pretty = FALSE)
