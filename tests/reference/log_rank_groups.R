# Log-rank tests of three and four groups, for tests/analysis/lifetimes/test_interval_log_rank.py.
# Run from this folder:  Rscript log_rank_groups.R
# Writes log_rank_groups_sources.csv (simulated sources), log_rank_groups_tests.csv.
suppressMessages(library(survival))
set.seed(71)

# Times known exactly, all followed from 0, without ties, some censored.
n <- 240
group <- rep(c("a", "b", "c"), length.out = n)
fails <- rexp(n, c(a = 1 / 100, b = 1 / 130, c = 1 / 170)[group])
ends <- runif(n, 60, 220)
exact <- data.frame(case = "exact", group, entry = 0, low = NA, time = round(pmin(fails, ends), 6),
                    event = as.integer(fails <= ends))

# The same with late entry.
entry <- round(runif(n, 0, 60), 6)
fails <- entry + rexp(n, c(a = 1 / 100, b = 1 / 130, c = 1 / 170)[group])
ends <- entry + runif(n, 60, 220)
late <- data.frame(case = "late", group, entry, low = NA, time = round(pmin(fails, ends), 6),
                   event = as.integer(fails <= ends))

# Sources tried every 30 days, first tried on different ones: grouped times.
n <- 120
group <- rep(c("a", "b", "c", "d"), length.out = n)
first <- sample(0:3, n, TRUE)
stays <- sample(3:9, n, TRUE)
fails <- rgeom(n, c(a = .10, b = .15, c = .2, d = .12)[group])
event <- as.integer(fails < stays)
time <- first + ifelse(event == 1, fails + 1, stays)
grouped <- data.frame(case = "grouped", group, entry = 30 * first, low = 30 * (time - 1),
                      time = 30 * time, event)

write.csv(rbind(exact, late, grouped), "log_rank_groups_sources.csv", row.names = FALSE)

plain <- survdiff(Surv(time, event) ~ group, data = exact)
cox <- coxph(Surv(entry, time, event) ~ group, data = late)
null <- coxph(Surv(entry, time, event) ~ 1, data = late)
over <- tapply(residuals(null, "martingale"), late$group, sum)

# Score test of the grouped proportional-hazards model by its observed information: the model
# written out period by period, its curvature by differences at the common hazards.
rows <- do.call(rbind, lapply(seq_len(n), function(i) {
  period <- (first[i] + 1):time[i]
  data.frame(group = group[i], period, y = as.integer(event[i] == 1 & period == time[i]))
}))
rows <- rows[ave(rows$y, rows$period, FUN = sum) > 0, ]
rows$period <- factor(rows$period)
common <- glm(y ~ period - 1, family = binomial("cloglog"), data = rows,
              control = glm.control(epsilon = 1e-14, maxit = 100))
x <- cbind(model.matrix(~ period - 1, rows), model.matrix(~ group, rows)[, -1])
likelihood <- function(theta) {
  hazard <- exp(drop(x %*% theta))
  sum(ifelse(rows$y == 1, log(-expm1(-hazard)), -hazard))
}
slope <- function(theta) {
  hazard <- exp(drop(x %*% theta))
  drop(t(x) %*% ifelse(rows$y == 1, hazard / expm1(hazard), -hazard))
}
at <- c(coef(common), 0, 0, 0)
information <- -optimHess(at, likelihood, slope, control = list(ndeps = rep(1e-4, length(at))))
u <- slope(at)
score <- drop(u %*% solve(information, u))
k <- levels(factor(group))
by_group <- sapply(k, function(g) {
  hazard <- exp(drop(x[, seq_along(coef(common))] %*% coef(common)))
  sum(ifelse(rows$y == 1, hazard / expm1(hazard), -hazard)[rows$group == g])
})

write.csv(
  data.frame(
    case = c(rep("exact", 3), rep("late", 3), rep("grouped", 4)),
    group = c("a", "b", "c", "a", "b", "c", k),
    statistic = c(rep(plain$chisq, 3), rep(cox$score, 3), rep(score, 4)),
    excess = c(plain$obs - plain$exp, over, by_group),
    survival = as.character(packageVersion("survival"))
  ),
  "log_rank_groups_tests.csv", row.names = FALSE
)
