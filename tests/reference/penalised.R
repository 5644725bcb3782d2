# Firth's logistic regression on the endometrial cancer data of Heinze & Schemper (2002), in which
# NV parts the two outcomes. From the repository's root:
#
#     Rscript tests/reference/penalised.R
#
# writes tests/reference/penalised_trials.csv (the data, as package brglm2 carries them) and
# tests/reference/penalised_fits.csv. brglm2 0.9 reached the published coefficients
# 3.775, 2.929, -0.035, -2.604.
library(brglm2)

data(endometrial)
fit <- glm(HG ~ NV + PI + EH, data = endometrial, family = binomial, method = "brglm_fit",
  control = brglmControl(epsilon = 1e-12, maxit = 1000))
table <- coef(summary(fit))
home <- "tests/reference"
write.csv(endometrial, file.path(home, "penalised_trials.csv"), row.names = FALSE)
out <- data.frame(term = rownames(table), estimate = table[, 1], std_error = table[, 2])
out$estimate <- format(out$estimate, digits = 12)
out$std_error <- format(out$std_error, digits = 12)
write.csv(out, file.path(home, "penalised_fits.csv"), row.names = FALSE, quote = FALSE)
