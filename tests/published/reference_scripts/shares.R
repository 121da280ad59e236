# Shares k of n in groups, with R as a calculator.
# Answers for tests/published/test_shares_values.py; R 4.2.2 made the answers kept.
# Run: Rscript shares.R > shares.txt
# Package stats; the data of herds are those that lme4 carries (cbpp).
# Quasi-binomial: glm. Beta-binomial variance after Williams (1982): the correlation r at which
# the Pearson chi-square of a binomial glm with weights 1 / (1 + (n - 1) r) is its degrees of
# freedom, by uniroot.

options(digits = 12)

tight <- glm.control(epsilon = 1e-14, maxit = 200)
fit <- function(data, formula, r = 0) {
  data$w <- data$n / (1 + (data$n - 1) * r)
  environment(formula) <- environment()
  suppressWarnings(glm(formula, family = binomial, data = data, weights = w, control = tight))
}
pearson <- function(m) sum(residuals(m, "pearson")^2)

report <- function(name, k, n, group, block = NULL) {
  data <- data.frame(p = k / n, n = n, group = group)
  data$block <- block
  full <- if (is.null(block)) p ~ group else p ~ block + group
  less <- if (is.null(block)) p ~ 1 else p ~ block
  live <- rep(TRUE, length(k))
  for (part in list(group, block)) if (!is.null(part)) {
    share <- tapply(k, part, sum) / tapply(n, part, sum)
    live <- live & (share > 0 & share < 1)[as.character(part)]
  }
  # Groups and blocks of none or of all are fitted exactly and bear on nothing else.
  groups <- nlevels(droplevels(group[live]))
  blocks <- if (is.null(block)) 1 else nlevels(droplevels(block[live]))
  df <- sum(live) - groups - blocks + 1
  moment <- function(r) pearson(fit(data, full, r)) - df
  r <- if (moment(0) > 0) uniroot(moment, c(0, 0.99), tol = 1e-12)$root else 0
  for (how in c("quasi-binomial", "beta-binomial")) {
    rho <- if (how == "beta-binomial") r else 0
    m <- fit(data, full, rho)
    m0 <- fit(data, less, rho)
    scale <- if (how == "beta-binomial") 1 else pearson(m) / df
    gain <- deviance(m0) - deviance(m)
    cat(name, how, "df", df, "deviance", gain, "dispersion",
        if (how == "beta-binomial") rho else scale, "\n")
    cat(name, how, "shares")
    for (g in levels(group)) {
      eta <- if (is.null(block)) {
        predict(m, data.frame(group = factor(g, levels(group))))
      } else {
        predict(m, data.frame(group = factor(g, levels(group)), block = block))
      }
      cat("", mean(plogis(eta)))
    }
    cat("\n")
  }
}

hoppers <- "44 25.33 48 46.66 46.66 16 0 0 20 25.33 26.66 49.33 32 29.33 28 13.33 36 33.33
21.33 49.33 80 0 0 0 0 0 0 17.33 33.33 10.66 24 26.66 54.66 93.33 100 100"
k <- round(scan(text = hoppers, quiet = TRUE) * 75 / 100)
report("hoppers", k, rep(75, 36), gl(12, 3))

data(cbpp, package = "lme4")
report("herds", cbpp$incidence, cbpp$size, cbpp$period, cbpp$herd)
cat("herds data", paste(cbpp$herd, cbpp$period, cbpp$incidence, cbpp$size, sep = ":"), "\n")
