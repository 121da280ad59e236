# Comparisons of least-squares means where plots are missing, with R as a calculator.
# Answers for tests/published/test_missing_plots_values.py; R 4.2.2 made the answers kept.
# Run: Rscript comparisons_missing_plots.R > comparisons_missing_plots.txt
# Packages stats, emmeans and mvtnorm. Dunnett by Genz and Bretz's integration of the
# multivariate t with the real correlation of the differences, absolute error below 1e-6.

suppressPackageStartupMessages({
  library(emmeans)
  library(mvtnorm)
})
options(digits = 12)
set.seed(1)

rot <- "3.55 2.29 NA 2 3.34 3.83 3.86 3.5 2.23 2.91
3.96 3.62 3.46 2.5 2.94 3.7 3.82 2.54 3.18 3.69
2.16 2.34 1.96 2.6 3.77 NA 3.2 3.47 2.67 3.33
2.3 4.03 2.54 2.82 3.29 2.93 NA 2.55 2.2 2.3
NA 3.07 3.49 1.07 3.99 3.48 3.8 3.68 3.24 2.7
3.16 2.52 2.39 3.68 NA NA 3.85 3.36 2.5 4.13
2.36 3.47 2.64 3.17 3.26 3.28 NA NA 3.07 3.12
2.99 3.99 2.9 3.97 4.49 4.7 3.86 NA 3.5 3.59"
y <- scan(text = rot, quiet = TRUE)
blocks <- data.frame(y = y, treatment = gl(8, 10), block = gl(10, 1, 80))

maize <- "1.640 1.210 1.425 1.345 1.475 1.185 NA 1.290 1.670 0.710 1.665 1.180 1.565 1.290 NA 0.660"
square <- data.frame(
  y = scan(text = maize, quiet = TRUE), row = gl(4, 4), column = gl(4, 1, 16),
  treatment = factor(strsplit("BDCACADBACBDDBAC", "")[[1]])
)

report <- function(model, title) {
  cat("==", title, "\n")
  means <- emmeans(model, "treatment")
  s <- summary(means)
  print(data.frame(mean = s$emmean, se = s$SE), digits = 12)
  cat("tukey\n")
  print(summary(pairs(means), adjust = "tukey")$p.value, digits = 10)
  V <- vcov(means)
  m <- s$emmean
  t <- length(m)
  K <- cbind(-1, diag(t - 1))
  C <- K %*% V %*% t(K)
  stat <- as.vector(K %*% m) / sqrt(diag(C))
  R <- cov2cor(C)
  df <- df.residual(model)
  control <- GenzBretz(maxpts = 5e6, abseps = 1e-6, releps = 0)
  two <- sapply(abs(stat), function(q)
    1 - pmvt(rep(-q, t - 1), rep(q, t - 1), df = df, corr = R, algorithm = control))
  greater <- sapply(stat, function(q)
    1 - pmvt(rep(-Inf, t - 1), rep(q, t - 1), df = df, corr = R, algorithm = control))
  cat("dunnett t\n"); print(stat, digits = 12)
  cat("dunnett two-sided\n"); print(two, digits = 8)
  cat("dunnett greater\n"); print(greater, digits = 8)
}

report(lm(y ~ block + treatment, blocks), "potato rot, 8 treatments x 10 blocks, 9 plots missing")
report(lm(y ~ row + column + treatment, square), "maize, Latin square of 4, 2 plots missing")
