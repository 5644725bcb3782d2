# Maximum likelihood less its first-order bias (Cordeiro & McCullagh 1991) by brglm2, on the data of
# Spector and Mazzeo (1980) as package statsmodels carries them. From the repository's root:
#
#     Rscript tests/reference/bias.R
#
# reads tests/reference/bias_trials.csv and writes tests/reference/bias_fits.csv.
library(brglm2)

home <- "tests/reference"
spector <- read.csv(file.path(home, "bias_trials.csv"))
fit <- function(type) {
  made <- glm(GRADE ~ GPA + TUCE + PSI, data = spector, family = binomial, method = "brglm_fit",
    type = type, epsilon = 1e-12, maxit = 1000)
  coef(made)
}
out <- data.frame(
  term = names(fit("ML")),
  likeliest = format(fit("ML"), digits = 12),
  corrected = format(fit("correction"), digits = 12)
)
write.csv(out, file.path(home, "bias_fits.csv"), row.names = FALSE, quote = FALSE)
