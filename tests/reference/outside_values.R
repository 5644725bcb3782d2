# The values of tests/studies/pages/outside-checks.md that no publication gave but another program, and those
# published that are known from memory, computed again: by R's own functions, or in plain R where
# it has none. From the repository's root:
#
#     Rscript tests/reference/outside_values.R
#
# reads bias_trials.csv and salamander_matings.csv of tests/reference and writes outside_values.csv
# there. All other data come with R and these packages, or are typed below from the publication
# named beside them.
# How close a search comes is left as each function has it, but where a comment says why not.
needed <- c("survival", "MASS", "boot", "lme4", "brglm2", "geepack", "pROC", "rms", "surveillance",
            "carData", "plm")
missing <- needed[!vapply(needed, requireNamespace, logical(1), quietly = TRUE)]
if (length(missing)) {
  message("R has no package ", paste(missing, collapse = ", "))
  quit(status = 1)
}
suppressMessages({
  library(survival)
  library(rms)
})
home <- "tests/reference"

values <- data.frame()
# Names are those of tests/reference/outside_checks.json, letters beyond ASCII by their number, since
# R reads a script in the machine's own encoding.
keep <- function(method, names, by_r) {
  stopifnot(length(names) == length(by_r), is.finite(by_r))
  values <<- rbind(values, data.frame(method = method, value = names, by_r = unname(by_r)))
}
error_of <- function(names) paste0(names, ", error")

# Portions matched ------------------------------------------------------------------------------
odds <- mantelhaen.test(UCBAdmissions, exact = TRUE)
keep("Common odds ratio of tables, exact (Berkeley admissions)",
     c("odds ratio", "lower limit", "upper limit", "one-sided p"),
     c(odds$estimate, odds$conf.int,
       mantelhaen.test(UCBAdmissions, exact = TRUE, alternative = "less")$p.value))

# False alerts, and shares of finds -------------------------------------------------------------
# Newcombe (1998), Statistics in Medicine 17, 857-872, table I; the last is NIST's, section 7.2.4.1.
for (case in list(c(81, 263, 0.95), c(15, 148, 0.95), c(0, 20, 0.95), c(1, 29, 0.95),
                  c(4, 20, 0.90))) {
  limits <- binom.test(case[1], case[2], conf.level = case[3])$conf.int
  names <- sprintf("%g of %g, %g%%, %s", case[1], case[2], 100 * case[3], c("lower", "upper"))
  for (of in c("blank areas with a false alert", "finds")) {
    keep(sprintf("Exact interval of a share of %s (Clopper and Pearson)", of), names, limits)
  }
}

damage <- glm(incidents ~ type + factor(year) + factor(period) + offset(log(service)),
              data = MASS::ships, subset = service > 0, family = quasipoisson)
method <- "Poisson model of rates (damage to ships)"
terms <- c("intercept", "B", "C", "D", "E", "1965-69", "1970-74", "1975-79", "period 1975-79")
keep(method, terms, coef(damage))
keep(method, error_of(terms[-1]), sqrt(diag(vcov(damage)))[-1])
keep(method, c("deviance", "dispersion"), c(deviance(damage), summary(damage)$dispersion))

# Bias, and finds and misses that part ----------------------------------------------------------
spector <- read.csv(file.path(home, "bias_trials.csv"))
corrected <- glm(GRADE ~ GPA + TUCE + PSI, data = spector, family = binomial,
                 method = brglm2::brglm_fit, type = "correction", epsilon = 1e-12, maxit = 1000)
keep("First-order bias of logistic regression taken off (Spector data)",
     names(coef(corrected)), coef(corrected))

cancer <- brglm2::endometrial
parted <- glm(HG ~ NV + PI + EH, data = cancer, family = binomial, method = brglm2::brglm_fit,
              epsilon = 1e-12, maxit = 1000)
method <- "Penalised likelihood where finds and misses part (endometrial cancer)"
terms <- c("NV", "PI", "EH")
keep(method, terms, coef(parted)[terms])
# brglm2 has no profile: of the likelihood times the root of the information's determinant.
x <- model.matrix(parted)
penalised <- function(beta) {
  p <- drop(plogis(x %*% beta))
  information <- crossprod(x * sqrt(p * (1 - p)))
  sum(dbinom(cancer$HG, 1, p, log = TRUE)) + determinant(information)$modulus / 2
}
below <- function(nv) {
  rest <- optim(coef(parted)[-2], function(b) -penalised(c(b[1], nv, b[2:3])), method = "BFGS",
                control = list(reltol = 1e-14, maxit = 1000, parscale = c(1, 0.1, 1)))
  stopifnot(rest$convergence == 0)
  2 * (penalised(coef(parted)) + rest$value) - qchisq(0.95, 1)
}
keep(method, "NV, lower limit of the profile",
     uniroot(below, c(-1, coef(parted)["NV"]), tol = 1e-10)$root)

# Marginal model --------------------------------------------------------------------------------
gee <- "Marginal model with exchangeable correlation (GEE)"
data(ohio, package = "geepack")
terms <- c("intercept", "age", "smoke", "age \u00d7 smoke")
product <- geepack::geeglm(resp ~ age * smoke, data = ohio, id = id, family = binomial,
                           corstr = "exchangeable")
keep(gee, terms, coef(product))
keep(gee, error_of(terms), summary(product)$coefficients[, "Std.err"])
# geepack's own correlation comes from another equation: here are the moments of Liang and Zeger
# (1986), less the number of coefficients, as package gee has them.
apart <- split(residuals(product, "pearson"), ohio$id)
pairs <- vapply(apart, function(r) (sum(r)^2 - sum(r^2)) / 2, 0)
scale <- sum(unlist(apart)^2) / (nrow(ohio) - 4)
keep(gee, "correlation", sum(pairs) / (scale * (sum(choose(lengths(apart), 2)) - 4)))
plain <- geepack::geeglm(resp ~ age + smoke, data = ohio, id = id, family = binomial,
                         corstr = "exchangeable")
terms <- paste0(terms[1:3], ", without their product")
keep(gee, terms, coef(plain))
keep(gee, error_of(terms), summary(plain)$coefficients[, "Std.err"])

# Charts ----------------------------------------------------------------------------------------
# From zero the chart either comes back to zero or passes the limit, and begins anew in both cases.
# Its mean run length is therefore the mean length of such a stretch over the chance that one ends
# in an alarm, exactly, whatever the steps up and down. Within a stretch the events so far and the
# trials so far give the value, so chances by number of events are all there is to carry on.
run_length <- function(chance, up, down, limit) {
  alive <- 1 # by number of events, from none
  trials <- 0
  mean_length <- alarm <- 0
  while (sum(alive) > 1e-18) {
    mean_length <- mean_length + sum(alive)
    trials <- trials + 1
    alive <- c(alive * (1 - chance), 0) + c(0, alive * chance)
    events <- seq_along(alive) - 1
    # A limit met by the sums of whole numbers is met in spite of rounding.
    value <- events * up - (trials - events) * down
    past <- value >= limit - 1e-9
    alarm <- alarm + sum(alive[past])
    alive[past | value < 1e-9] <- 0
    alive <- alive[seq_len(max(which(alive > 0), 1))]
  }
  mean_length / alarm
}
bernoulli <- "Mean run length of a Bernoulli cumulative sum, alarm at 3"
for (case in list(c(0.2, 4), c(0.1, 5))) {
  exact <- run_length(case[1], 1 - 1 / case[2], 1 / case[2], 3)
  by_package <- surveillance::arlCusum(h = 3, k = 1 / case[2], theta = case[1],
                                       distr = "binomial", W = 1, digits = 2)$ARL
  stopifnot(abs(by_package - exact) < 1e-6)
  keep(bernoulli, sprintf("probability %g, reference 1/%g", case[1], case[2]), exact)
}
for (chance in c(0.01, 0.02)) {
  keep("Mean run length of a likelihood-ratio chart, 0.01 against 0.02, limit 2",
       sprintf("trials until an alarm at %g", chance),
       run_length(chance, log(0.02 / 0.01), log(0.99 / 0.98), 2))
}

# Interval-censored and late lifetimes ----------------------------------------------------------
# Months after which, and by which, the breast had changed: radiation alone, then with chemotherapy
# (Finkelstein and Wolfe 1985, Biometrics 41, 933-945).
radiation <- "0 5 0 7 0 8 4 11 5 11 5 12 6 10 7 14 7 16 11 15 11 18 15 Inf
  17 25 17 25 17 Inf 18 Inf 19 26 19 35 22 Inf 24 Inf 24 Inf 25 37 26 40
  27 34 32 Inf 33 Inf 34 Inf 36 44 36 48 36 Inf 36 Inf 37 44 37 Inf 37 Inf
  37 Inf 38 Inf 40 Inf 45 Inf 46 Inf 46 Inf 46 Inf 46 Inf 46 Inf 46 Inf 46 Inf 46 Inf"
with_chemotherapy <- "0 5 0 22 4 8 4 9 5 8 8 12 8 21 10 17 10 35 11 13 11 17
  11 20 11 Inf 11 Inf 12 20 13 39 13 Inf 13 Inf 13 Inf 14 17 14 19 15 22
  16 20 16 24 16 24 16 60 17 23 17 26 17 27 18 24 18 25 19 32 21 Inf 22 32
  23 Inf 24 30 24 31 30 34 30 36 31 Inf 32 Inf 33 40 34 Inf 34 Inf 35 39 35 Inf 44 48 48 Inf"
months <- matrix(scan(text = paste(radiation, with_chemotherapy), quiet = TRUE), ncol = 2,
                 byrow = TRUE)
cosmesis <- data.frame(low = ifelse(months[, 1] == 0, NA, months[, 1]),
                       high = ifelse(is.finite(months[, 2]), months[, 2], NA),
                       both = rep(0:1, c(46, 48)))
weibull <- survreg(Surv(low, high, type = "interval2") ~ both, data = cosmesis, dist = "weibull")
method <- "Weibull model of interval-censored times (breast cosmesis)"
terms <- c("intercept", "with chemotherapy", "log scale")
keep(method, terms, c(coef(weibull), log(weibull$scale)))
keep(method, error_of(terms), sqrt(diag(vcov(weibull))))
keep(method, c("log-likelihood", "log-likelihood without the group"), rev(weibull$loglik))

# survreg takes no late entry. Of a given shape the likeliest scale is known, and so the likelihood
# has one slope to bring to zero: of the logarithm of the shape.
channing <- subset(boot::channing, exit > entry)
for (sex in c("Male", "Female")) {
  own <- channing[channing$sex == sex, ]
  died <- own$cens == 1
  grown <- function(shape) sum(own$exit^shape - own$entry^shape)
  slope <- function(shape) {
    sum(died) + shape * sum(log(own$exit[died])) - sum(died) * shape / grown(shape) *
      sum(own$exit^shape * log(own$exit) - own$entry^shape * log(own$entry))
  }
  shape <- uniroot(slope, c(1, 30), tol = 1e-12)$root
  scale <- (grown(shape) / sum(died))^(1 / shape)
  likelihood <- sum(dweibull(own$exit[died], shape, scale, log = TRUE)) +
    sum(pweibull(own$exit[!died], shape, scale, lower.tail = FALSE, log.p = TRUE)) -
    sum(pweibull(own$entry, shape, scale, lower.tail = FALSE, log.p = TRUE))
  keep("Weibull model with late entry (Channing House)",
       paste0(tolower(sex), c(", shape", ", scale", ", log-likelihood")),
       c(shape, scale, likelihood))
}

# Boys at risk and events by school grade, without and with a parental transition (Capaldi et al.
# 1996, as in Singer and Willett 2003, Table 11.3); one row a boy and grade, as deviance is counted.
at_risk <- c(72, 70, 68, 60, 52, 42, 108, 95, 90, 74, 53, 38)
events <- c(2, 2, 8, 8, 10, 8, 13, 5, 16, 21, 15, 18)
boys <- data.frame(
  event = unlist(Map(function(n, e) rep(1:0, c(e, n - e)), at_risk, events)),
  grade = factor(rep(rep(7:12, 2), at_risk)),
  transition = rep(rep(0:1, each = 6), at_risk)
)
hazard <- glm(event ~ 0 + grade + transition, data = boys, family = binomial("cloglog"))
keep("Hazard by periods, complementary log-log",
     c("parental transition", "parental transition, error", "deviance"),
     c(coef(summary(hazard))["transition", 1:2], deviance(hazard)))

# Lifetimes -------------------------------------------------------------------------------------
cox <- coxph(Surv(start, stop, event) ~ age + year + surgery + transplant, data = heart)
terms <- c("age", "year", "surgery", "transplant")
method <- "Cox model with a state that changes, Efron's ties (R's heart)"
keep(method, terms, coef(cox))
keep(method, error_of(terms), sqrt(diag(vcov(cox))))

gehan <- MASS::gehan
curve <- survfit(Surv(time, cens) ~ 1, data = gehan, subset = treat == "6-MP",
                 conf.type = "log-log")
half <- quantile(curve, 0.5)
weeks <- c(6, 7, 10, 13, 16, 22, 23)
steps <- summary(curve, times = weeks)
keep("Kaplan\u2013Meier curve (6-MP, remission in leukaemia)",
     c(paste("past week", weeks), "median, weeks"), c(steps$surv, half$quantile))
keep("Greenwood's errors (6-MP, remission in leukaemia)", paste("week", weeks), steps$std.err)

# Mixed model -----------------------------------------------------------------------------------
# At lme4's own tolerances, which the published values have: closer, the intercept is -1.3985.
herds <- lme4::glmer(cbind(incidence, size - incidence) ~ period + (1 | herd), data = lme4::cbpp,
                     family = binomial)
keep("Mixed logistic model, one grouping (cattle herds, cbpp)",
     c("intercept", paste("period", 2:4), "SD of herds", "log-likelihood"),
     c(lme4::fixef(herds), as.data.frame(lme4::VarCorr(herds))$sdcor, logLik(herds)))
# As close as mixed.R: at lme4's own tolerances the coefficient of shouting is -2.1021 or -2.1032
# by the order of the terms.
close <- lme4::glmerControl(optimizer = "bobyqa", tolPwrss = 1e-11,
                            optCtrl = list(rhobeg = 0.02, rhoend = 1e-9, maxfun = 2e5))
answers <- lme4::glmer(
  r2 ~ Anger + Gender + btype + situ + mode + (1 | id) + (1 | item),
  data = lme4::VerbAgg, family = binomial, control = close
)
spread <- as.data.frame(lme4::VarCorr(answers))
keep("Mixed logistic model, two crossed groupings (verbal aggression)",
     c("SD of persons", "SD of items", "anger", "shouting", "anger, error", "shouting, error",
       "log-likelihood"),
     c(spread$sdcor[match(c("id", "item"), spread$grp)],
       coef(summary(answers))[c("Anger", "btypeshout"), 1:2], logLik(answers)))

# Three experiments with 20 females and 20 males each (McCullagh and Nelder 1989, section 14.5): no
# animal is taken for one of another experiment.
wide <- read.csv(file.path(home, "salamander_matings.csv"))
matings <- do.call(rbind, lapply(1:3, function(e) transform(
  wide, mated = wide[[paste0("mated_", e)]], female = paste(e, female_type, female),
  male = paste(e, male_type, male), white_female = as.integer(female_type == "white"),
  white_male = as.integer(male_type == "white"))))
mated <- lme4::glmer(mated ~ white_female * white_male + (1 | female) + (1 | male), data = matings,
                     family = binomial, control = close)
spread <- as.data.frame(lme4::VarCorr(mated))
method <- "Mixed logistic model, two crossed groupings (salamander matings)"
terms <- c("intercept", "white female", "white male", "both white")
keep(method, terms, lme4::fixef(mated))
keep(method, error_of(terms), coef(summary(mated))[, "Std. Error"])
keep(method, c("SD of females", "SD of males", "log-likelihood"),
     c(spread$sdcor[match(c("female", "male"), spread$grp)], logLik(mated)))

# Two units: herds 1 to 8, and 9 to 15. Their likelihoods at the joint maximum, and the periods when
# each is fitted by itself and all its coefficients are weighted by the inverse of their covariance.
first <- as.integer(as.character(lme4::cbpp$herd)) <= 8
fit_herds <- function(herds, ...) {
  lme4::glmer(cbind(incidence, size - incidence) ~ period + (1 | herd), data = herds,
              family = binomial, control = close, ...)
}
halves <- list(droplevels(lme4::cbpp[first, ]), droplevels(lme4::cbpp[!first, ]))
joint <- fit_herds(lme4::cbpp)
method <- "Mixed logistic model, two units (cattle herds, cbpp)"
at_joint <- vapply(halves, function(herds) {
  deviance_at <- fit_herds(herds, devFunOnly = TRUE)
  -deviance_at(c(lme4::getME(joint, "theta"), lme4::fixef(joint))) / 2
}, 0)
keep(method, c("log-likelihood of herds 1 to 8", "log-likelihood of herds 9 to 15",
               "log-likelihood of both"), c(at_joint, sum(at_joint)))
stopifnot(abs(sum(at_joint) - as.numeric(logLik(joint))) < 1e-5)
alone <- lapply(halves, fit_herds)
weights <- lapply(alone, function(fit) solve(as.matrix(vcov(fit))))
both <- solve(weights[[1]] + weights[[2]],
              weights[[1]] %*% lme4::fixef(alone[[1]]) + weights[[2]] %*% lme4::fixef(alone[[2]]))
keep(method, paste0("period ", 2:4, ", each unit by itself"), both[2:4])

# Linear mixed model ----------------------------------------------------------------------------
method <- "Linear mixed model, two crossed groupings (penicillin)"
growth <- lme4::lmer(diameter ~ 1 + (1 | plate) + (1 | sample), data = lme4::Penicillin)
spread <- as.data.frame(lme4::VarCorr(growth))
keep(method, c("intercept", "its error", "restricted criterion"),
     c(coef(summary(growth))[1:2], -2 * logLik(growth)))
keep(method, c("SD of plates", "SD of samples", "residual SD"),
     spread$sdcor[match(c("plate", "sample", "Residual"), spread$grp)])
for (name in c("Dyestuff", "Dyestuff2")) {
  yields <- lme4::lmer(Yield ~ 1 + (1 | Batch), data = getExportedValue("lme4", name))
  keep("Linear mixed model, one grouping (dyestuff)",
       paste0(c("intercept", "SD of batches", "residual SD"), ", ", name),
       c(lme4::fixef(yields), as.data.frame(lme4::VarCorr(yields))$sdcor))
}

# Quality of predictions ------------------------------------------------------------------------
# Ratings 1-5 of 58 normal and 51 abnormal images (Hanley and McNeil 1982, table 1).
rating <- c(rep(1:5, c(33, 6, 6, 11, 2)), rep(1:5, c(3, 2, 2, 11, 33)))
images <- pROC::roc(rep(0:1, c(58, 51)), rating, direction = "<", quiet = TRUE)
keep("Area under the curve", "area", images$auc)
keep("Area under the curve, DeLong's error", c("area", "error"),
     c(images$auc, sqrt(pROC::var(images, method = "delong"))))

# The manual of scikit-learn, roc_auc_score and brier_score_loss.
keep("Area and Brier score, four cases", c("area", "Brier score"),
     c(pROC::auc(c(0, 0, 1, 1), c(0.1, 0.4, 0.35, 0.8), direction = "<", quiet = TRUE),
       mean((c(0.1, 0.9, 0.8, 0.3) - c(0, 1, 1, 0))^2)))

births <- glm(low ~ age + lwt + factor(race) + smoke, data = MASS::birthwt, family = binomial)
own <- fitted(births)
for (which in c("own", "distorted")) {
  p <- if (which == "own") own else plogis(0.5 + 1.4 * qlogis(own))
  keep("Brier score and area (MASS's birthwt)",
       paste0(c("area less half its ties, ", "Brier score, "), which, " predictions"),
       val.prob(p, MASS::birthwt$low, pl = FALSE)[c("C (ROC)", "Brier")])
}

# Suspects beside each other, and what was not recorded -----------------------------------------
data(Grunfeld, package = "plm")
apart <- plm::plm(inv ~ value + capital, data = Grunfeld, index = c("firm", "year"),
                  model = "within")
keep("Own change of each group, split from differences between groups (Mundlak)",
     c("value", "capital"), coef(apart)[c("value", "capital")])

# Of all subsets of the four ingredients; the deviation counts among the parameters.
subsets <- unlist(lapply(1:4, combn, x = 4, simplify = FALSE), recursive = FALSE)
criteria <- vapply(subsets, function(subset) {
  likelihood <- logLik(lm(reformulate(paste0("x", subset), "y"), data = MASS::cement))
  k <- attr(likelihood, "df")
  2 * k - 2 * as.numeric(likelihood) + 2 * k * (k + 1) / (nrow(MASS::cement) - k - 1)
}, 0)
behind <- criteria - min(criteria)
names(behind) <- vapply(subsets, paste, "", collapse = "")
weights <- exp(-behind / 2) / sum(exp(-behind / 2))
shown <- c("12", "124", "123", "14", "134", "234", "1234")
method <- "Weights of models by AICc"
keep(method, sprintf("weight of {%s}", shown), weights[shown])
keep(method, sprintf("difference of the %s", c("2nd", "3rd", "4th", "5th", "6th", "7th")),
     sort(behind)[2:7])

keep("Variance inflation (Longley's data)",
     c("deflator", "product", "unemployed", "armed forces", "population", "year"),
     rms::vif(lm(Employed ~ GNP.deflator + GNP + Unemployed + Armed.Forces + Population + Year,
                 data = longley)))

# Logistic regression ---------------------------------------------------------------------------
# Flights by the temperature at their start, with damage to an O-ring or none (Dalal, Fowlkes and
# Hoadley 1989, JASA 84, 945-957).
temperature <- c(53, 57, 58, 63, 66, 67, 67, 67, 68, 69, 70, 70, 70, 70, 72, 73, 75, 75, 76, 76,
                 78, 79, 81)
damaged <- c(1, 1, 1, 1, 0, 0, 0, 0, 0, 0, 1, 0, 1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 0)
rings <- summary(glm(damaged ~ temperature, family = binomial))
terms <- c("intercept", "temperature")
keep("Logistic regression, any damage to O-rings", c(terms, error_of(terms)),
     c(rings$coefficients[, 1:2]))

# Limits of a threshold -------------------------------------------------------------------------
# Fieller's: the doses at which the log-odds lie within 1.96 of their error from those asked for.
fieller <- function(fit, kills) {
  z2 <- qnorm(0.975)^2
  b <- coef(fit)[1:2] - c(qlogis(kills), 0)
  v <- vcov(fit)[1:2, 1:2]
  a <- b[2]^2 - z2 * v[2, 2]
  middle <- b[1] * b[2] - z2 * v[1, 2]
  sort((-middle + c(-1, 1) * sqrt(middle^2 - a * (b[1]^2 - z2 * v[1, 1]))) / a)
}
tight <- glm.control(epsilon = 1e-14, maxit = 100)
# Tobacco budworms, 20 of each sex at each dose (Venables and Ripley 2002, section 7.2).
budworm <- data.frame(log_dose = 0:5, male = rep(1:0, each = 6),
                      dead = c(1, 4, 9, 13, 18, 20, 0, 2, 6, 10, 12, 16))
moths <- glm(cbind(dead, 20 - dead) ~ log_dose + male, data = budworm, family = binomial,
             control = tight)
for (kills in c(0.5, 0.25)) {
  keep("Limits of the threshold (budworm, females)",
       sprintf("kills %g%%, %s", 100 * kills, c("lower", "upper")), fieller(moths, kills))
}
# Beetles (Bliss 1935, Annals of Applied Biology 22, 134-167).
dose <- c(1.6907, 1.7242, 1.7552, 1.7842, 1.8113, 1.8369, 1.8610, 1.8839)
beetles <- c(59, 60, 62, 56, 63, 59, 62, 60)
killed <- c(6, 13, 18, 28, 52, 53, 61, 60)
bliss <- glm(cbind(killed, beetles - killed) ~ dose, family = binomial, control = tight)
terms <- c("intercept", "dose")
keep("Logistic regression, dose and response (Bliss's beetles)",
     c(terms, error_of(terms), "deviance"),
     c(coef(bliss), sqrt(diag(vcov(bliss))), deviance(bliss)))
keep("Threshold read from the curve, and its delta-method error (beetles)", "dose that kills 50%",
     as.numeric(MASS::dose.p(bliss, p = 0.5)))
keep("Limits of the threshold (beetles)", c("lower", "upper"), fieller(bliss, 0.5))

# Stability data: LeBlond, Griffith & Aubuchon (2011), J Valid Technol 17(3), 47-68, tables IV, VI.
potency <- list(
  b2 = c(0, 101, 1, 101.3, 3, 99.8, 3, 99.2, 6, 99.5, 6, 97.8, 12, 97.4, 12, 97.2, 24, 96.9, 24, 96),
  b3 = c(0, 104.8, 3, 103, 3, 101.2, 6, 100.8, 6, 99.2, 12, 98.6, 12, 97.2, 24, 97.6, 24, 98),
  b4 = c(0, 104, 3, 103.2, 6, 102.8, 6, 103.3, 12, 102.4, 12, 101.2, 24, 99.1, 24, 99.5),
  b5 = c(0, 102, 1, 101.4, 2, 100.8, 3, 100.2, 3, 99.7, 6, 98.8, 6, 98.5, 12, 98, 12, 97.1,
         24, 96.6, 24, 96.1),
  b7 = c(0, 101.3, 1, 101.5, 3, 100.2, 3, 99.8, 6, 99, 6, 98.5, 12, 98.5, 12, 97.4, 24, 96.6,
         24, 96.4)
)
of_batches <- function(names) {
  do.call(rbind, lapply(names, function(name) {
    data.frame(batch = name, month = potency[[name]][c(TRUE, FALSE)],
               potency = potency[[name]][c(FALSE, TRUE)])
  }))
}
bound_at <- function(fit, limit, batch) {
  past <- function(month) {
    at <- predict(fit, data.frame(month = month, batch = batch), se.fit = TRUE)
    at$fit - qt(0.95, fit$df.residual) * at$se.fit - limit
  }
  uniroot(past, c(0.1, 80), tol = 1e-10)$root
}
common <- lm(potency ~ month, of_batches(c("b2", "b5", "b7")))
keep("Shelf life, common line",
     c("intercept", "slope", "months to 95 %", "months to 94.95 %"),
     c(coef(common), bound_at(common, 95, "b2"), bound_at(common, 94.95, "b2")))
levels_apart <- lm(potency ~ batch + month, of_batches(c("b3", "b4", "b5")))
keep("Shelf life, a level for each batch", "months to 94.95 %, the soonest",
     min(vapply(c("b3", "b4", "b5"), function(b) bound_at(levels_apart, 94.95, b), 0)))

# Drip of lamb: Korean J Food Sci Anim Resour 38(5) 959, table 1.
months <- c(0.5, 1, 2, 3, 4, 5)
lamb <- list("-18" = c(2.67, 3.22, 3.70, 4.35, 5.83, 9.35),
             "-50" = c(2.28, 2.56, 3.47, 3.38, 4.23, 6.35),
             "-60" = c(1.96, 2.45, 2.82, 2.89, 3.84, 4.52),
             "-80" = c(1.68, 1.87, 2.14, 2.02, 2.33, 2.66))
keep("Change within a source: drip of lamb by months frozen",
     paste0(names(lamb), " \u00b0C, a month"),
     vapply(lamb, function(drip) coef(lm(drip ~ months))[["months"]], 0))

# In UTF-8 on every machine.
quoted <- function(text) paste0('"', text, '"')
versions <- vapply(needed, function(p) as.character(packageVersion(p)), "")
lines <- c(
  paste0("# R ", getRversion(), paste0(", ", needed, " ", versions, collapse = "")),
  "method,value,by_r",
  paste(quoted(values$method), quoted(values$value), formatC(values$by_r, digits = 12, format = "g",
                                                                     width = 1),
        sep = ",")
)
out <- file(file.path(home, "outside_values.csv"), "wb")
writeLines(enc2utf8(lines), out, useBytes = TRUE)
close(out)
