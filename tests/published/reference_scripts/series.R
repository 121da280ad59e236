# Answers of R for several trials together, in tests/published/test_series_reference.py.
# Packages: metafor (random effects, several treatments), metadat (the trials of BCG), nlme (errors of
# their own), lme4, MASS (immer).
# Run: Rscript series.R > series.txt  (R 4.2.2 and metafor 3.8 made the answers that are kept)
# Data: dat.bcg of metadat (Colditz GA et al. 1994, JAMA 271:698-702); Berkey CS et al. 1998, Stat.
# Med. 17:2537-2550, table I; rice at three places (Gomez KA & Gomez AA 1984, ch. 8, first variety);
# barley of immer in MASS (Immer FR et al. 1934, J. Am. Soc. Agron. 26:403-419); the rest is invented.
suppressMessages({library(metafor); library(nlme); library(lme4); library(MASS)})
options(digits = 12, contrasts = c("contr.treatment", "contr.poly"))
line <- function(name, x) cat(sprintf("    %s: [%s],\n", dQuote(name, FALSE),
  paste(trimws(formatC(unlist(x), digits = 12, format = "g")), collapse = ", ")))
open <- function(title) cat(dQuote(title, FALSE), ": {\n", sep = "")
close <- function() cat("},\n")

# One effect.
bcg <- escalc(measure = "RR", ai = tpos, bi = tneg, ci = cpos, di = cneg, data = dat.bcg)
one <- rma(yi, vi, data = bcg, method = "REML", test = "knha", control = list(threshold = 1e-12))
open("bcg")
line("estimate", c(one$beta)); line("se", one$se); line("limits", c(one$ci.lb, one$ci.ub))
line("p", one$pval); line("tau2", one$tau2); line("I2", one$I2); line("Q", c(one$QE, one$QEp))
between <- confint(one)$random["tau^2", ]
line("tau2 limits", between[2:3])
next_one <- predict(one)
line("next", c(next_one$pi.lb, next_one$pi.ub))
line("weights", weights(one))
slope <- rma(yi, vi, mods = ~ ablat, data = bcg, method = "REML", test = "knha",
             control = list(threshold = 1e-12))
line("slope", c(slope$beta[2], slope$se[2], slope$ci.lb[2], slope$ci.ub[2], slope$pval[2], slope$tau2))
close()

# Two effects of a trial, and several treatments of which some are missing.
many <- function(title, d, V, rho = NA) {
  fit <- if (is.na(rho)) {
    rma.mv(yi, V, mods = ~ effect - 1, random = ~ effect | trial, struct = "CS", data = d,
           control = list(optimizer = "nlminb", rel.tol = 1e-10))
  } else {
    rma.mv(yi, V, mods = ~ effect - 1, random = ~ effect | trial, struct = "CS", rho = rho,
           data = d, control = list(optimizer = "nlminb", rel.tol = 1e-10))
  }
  open(title)
  line("estimate", c(fit$beta)); line("se", fit$se); line("tau2", fit$tau2); line("rho", fit$rho)
  line("log likelihood", as.numeric(logLik(fit)))
  line("difference", c(fit$beta[1] - fit$beta[2],
    sqrt(vcov(fit)[1, 1] + vcov(fit)[2, 2] - 2 * vcov(fit)[1, 2])))
  close()
}
berkey <- data.frame(trial = rep(1:5, each = 2), effect = factor(rep(c("PD", "AL"), 5), c("PD", "AL")),
  yi = c(.47, -.32, .20, -.60, .40, -.12, .26, -.31, .56, -.39))
v <- list(c(.0075, .0030, .0077), c(.0057, .0009, .0008), c(.0021, .0007, .0014),
  c(.0029, .0009, .0015), c(.0148, .0072, .0304))
VB <- bldiag(lapply(v, function(x) matrix(x[c(1, 2, 2, 3)], 2)))
many("berkey", berkey, VB)

present <- list(1:4, c(1, 2, 4), 1:4, c(1, 3, 4), 1:4, c(2, 3), c(1, 2, 3))
y <- c(-2.31, -1.52, -.84, -.10,  -1.62, -1.05, .35,  -2.60, -2.42, -1.01, -.75,
  -1.75, -.82, .08,  -2.75, -1.00, -1.22, -.01,  -1.81, -.95,  -2.32, -1.95, -1.12)
own <- list(c(.12, .06, .05, .04), c(.15, .07, .05), c(.10, .06, .06, .05), c(.18, .06, .05),
  c(.14, .08, .05, .04), c(.09, .06), c(.20, .10, .07))
base <- c(.04, .05, .03, .06, .04, .05, .07)
d <- data.frame(trial = rep(seq_along(present), lengths(present)),
  effect = factor(unlist(present)), yi = y)
VM <- bldiag(Map(function(x, b) diag(x) + b, own, base))
many("several", d, VM)
many("several, half", d, VM, rho = 0.5)

# Means over environments.
rice <- c(1979,4572,5630,7153,7223,7239,3617,6065,6092,5916,7191,5805,4320,5862,5136,6336,5571,6765,
  1511,4340,6780,6504,7107,6829,3580,5463,6571,6982,6109,6890,4068,4626,5836,5456,5854,5263,
  3664,4132,4933,6326,6051,5874,3939,5435,6084,7145,7967,7113,3856,4913,4898,5663,5533,3910)
r <- expand.grid(n = factor(1:6), i = factor(1:3), b = factor(1:3)); r$y <- rice
a <- anova(lm(y ~ i + i:b + n + n:i, r))
open("rice")
line("i", a["i", 1:2]); line("n", a["n", 1:2]); line("i:n", a["i:n", 1:5])
line("error", a["Residuals", 1:2])
f <- a["n", 3] / a["i:n", 3]
line("n on i:n", c(f, pf(f, a["n", 1], a["i:n", 1], lower.tail = FALSE)))
line("n on error", c(a["n", 4], a["n", 5]))
errors <- sapply(split(r, r$i), function(d) deviance(lm(y ~ b + n, d)))
line("errors", errors / 10)
line("bartlett", { s <- errors / 10; df <- rep(10, 3); pooled <- sum(df * s) / sum(df)
  k <- (sum(df) * log(pooled) - sum(df * log(s))) / (1 + (sum(1 / df) - 1 / sum(df)) / (3 * 2))
  pchisq(k, 2, lower.tail = FALSE) })
close()

# Treatments missing at some places: plots in blocks, treatment x environment random.
set.seed(7)
u <- expand.grid(g = factor(1:5), b = factor(1:4), i = factor(1:6))
u <- u[!((u$i == 2 & u$g == 4) | (u$i == 5 & u$g %in% c(2, 3))), ]
u$y <- round(30 + as.numeric(u$g) + 3 * as.numeric(u$i) + rnorm(30, 0, 1.2)[as.integer(factor(
  paste(u$i, u$g)))] + rnorm(24, 0, 1)[as.integer(factor(paste(u$i, u$b)))] + rnorm(nrow(u), 0, 1), 2)
mixed <- lmer(y ~ factor(paste(i, b)) + g + (1 | i:g), u,
  control = lmerControl(optimizer = "bobyqa", optCtrl = list(rhoend = 1e-10)))
open("unbalanced")
line("y", u$y)
keep <- match(paste0("g", 2:5), names(fixef(mixed)))
line("differences from 1", fixef(mixed)[keep]); line("se", sqrt(diag(as.matrix(vcov(mixed))))[keep])
line("variances", c(as.data.frame(VarCorr(mixed))$vcov))
close()

# Evenness over environments: barley of 6 places and 2 years.
im <- rbind(data.frame(v = immer$Var, e = paste(immer$Loc, 1), y = immer$Y1),
  data.frame(v = immer$Var, e = paste(immer$Loc, 2), y = immer$Y2))
im$index <- ave(im$y, im$e); left <- resid(lm(y ~ v + e, im))
open("immer")
line("table", t(tapply(im$y, list(im$v, im$e), mean)))
fits <- lapply(split(im, im$v), function(d) lm(y ~ index, d))
line("slope", sapply(fits, function(f) coef(f)[2]))
line("slope limits", sapply(fits, function(f) confint(f)[2, ]))
line("deviation mean square", sapply(fits, function(f) deviance(f) / df.residual(f)))
line("ecovalence", tapply(left^2, im$v, sum))
line("interaction", anova(lm(y ~ v + e, im))["Residuals", 2])
line("superiority", tapply((im$y - ave(im$y, im$e, FUN = max))^2, im$v, sum) / 24)
close()
