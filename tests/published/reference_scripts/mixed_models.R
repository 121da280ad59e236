# Answers of R for the mixed models in tests/published/test_mixed_model_reference.py.
# Packages: lme4 (REML), pbkrtest and lmerTest (degrees of freedom), emmeans (means), MASS (oats).
# Run: Rscript mixed_models.R > mixed_models.txt  (R 4.2.2 made the answers that are kept)
# Data: oats as shipped with MASS; the rice figures of the split-plot and strip-plot examples of
# the published checks; all other numbers are invented.
suppressMessages({library(lme4); library(lmerTest); library(pbkrtest); library(emmeans)})
options(contrasts = c("contr.sum", "contr.poly"), digits = 12)
tight <- lmerControl(
  optimizer = "bobyqa", optCtrl = list(rhobeg = 0.02, rhoend = 1e-12, maxfun = 1e6),
  check.conv.singular = "ignore", calc.derivs = TRUE)

line <- function(name, x) cat(sprintf("    %s: [%s],\n", dQuote(name, FALSE),
  paste(trimws(formatC(unlist(x), digits = 12, format = "g")), collapse = ", ")))

# Fit twice: the second start at the first answer settles the last digits.
fit <- function(formula, data) {
  first <- lmer(formula, data, control = tight)
  lmer(formula, data, control = tight, start = getME(first, "theta"))
}

report <- function(title, model, factors) {
  cat(dQuote(title, FALSE), ": {\n", sep = "")
  components <- as.data.frame(VarCorr(model))
  for (i in seq_len(nrow(components))) line(paste("variance", components$grp[i]), components$vcov[i])
  # Freed of the coding of the fixed effects.
  x_det <- as.numeric(determinant(crossprod(getME(model, "X")))$modulus)
  line("log likelihood", as.numeric(logLik(model)) + x_det / 2)
  kr <- anova(model, type = 3, ddf = "Kenward-Roger")
  # Fai and Cornelius's df depend on the contrasts taken: here the sum-to-zero effects themselves.
  place <- attr(getME(model, "X"), "assign")
  for (term in rownames(kr)) {
    L <- diag(length(place))[place == match(term, rownames(kr)), , drop = FALSE]
    sw <- contest(model, L, joint = TRUE, ddf = "Satterthwaite")
    line(paste("kr", term), c(kr[term, "NumDF"], kr[term, "DenDF"], kr[term, "F value"]))
    line(paste("sw", term), c(sw[["NumDF"]], sw[["DenDF"]], sw[["F value"]]))
  }
  for (f in factors) for (how in c("kenward-roger", "satterthwaite")) {
    means <- suppressMessages(emmeans(model, as.formula(paste("~", f)), lmer.df = how))
    tab <- as.data.frame(means)
    short <- ifelse(how == "satterthwaite", "sw", "kr")
    line(paste(short, f, "means"), tab$emmean)
    line(paste(short, f, "se"), tab$SE)
    line(paste(short, f, "df"), tab$df)
    first <- as.data.frame(pairs(means, adjust = "none"))[1:2, ]
    line(paste(short, f, "difference"), first$estimate)
    line(paste(short, f, "difference se"), first$SE)
    line(paste(short, f, "difference df"), first$df)
  }
  cat("},\n")
}

# 1. Oats, five subplots missing (rows 1, 8, 15, 22, 29), blocks fixed and random.
oats <- MASS::oats
oats$Y[c(1, 8, 15, 22, 29)] <- NA
oats$WP <- oats$B:oats$V
report("oats, blocks fixed", fit(Y ~ B + V * N + (1 | WP), oats), c("V", "N"))
report("oats, blocks random", fit(Y ~ V * N + (1 | B) + (1 | WP), oats), c("V", "N"))

# 2. A variance at zero: the rice split-plot, one subplot missing (N1, V2, block 3).
rice <- c(
  4430, 4478, 3850, 3944, 5314, 3660, 3464, 2944, 3142, 4126, 4482, 4836,
  5418, 5166, 6432, 6502, 5858, 5586, 4768, 6004, 5556, 5192, 4604, 4652,
  6076, 6420, 6704, 6008, 6127, 6642, 6244, 5724, 6014, 4546, 5744, 4146,
  6462, 7056, 6680, 7139, 6982, 6564, 5792, 5880, 6370, 2774, 5036, 3638,
  7290, 7848, 7552, 7682, 6594, 6576, 7080, 6662, 6320, 1414, 1960, 2766,
  8452, 8832, 8818, 6228, 7387, 6006, 5594, 7122, 5480, 2248, 1380, 2014)
split <- data.frame(y = rice, N = gl(6, 12), V = gl(4, 3, 72), B = gl(3, 1, 72))
split$y[split$N == 2 & split$V == 2 & split$B == 3] <- NA
split$WP <- split$B:split$N
report("rice split-plot, one missing", fit(y ~ B + N * V + (1 | WP), split), c("N", "V"))

# 3. The rice strip-plot, three plots missing (G1 N0 rep 1, G3 N60 rep 2, G6 N120 rep 3).
strip <- data.frame(G = gl(6, 9), N = gl(3, 3, 54), B = gl(3, 1, 54), y = c(
  2373, 3958, 4384, 4076, 6431, 4889, 7254, 6808, 8582,
  4007, 5795, 5001, 5630, 7334, 7177, 7053, 8284, 6297,
  2620, 4508, 5621, 4676, 6672, 7019, 7666, 7328, 8611,
  2726, 5630, 3821, 4838, 7007, 4816, 6881, 7735, 6667,
  4447, 3276, 4582, 5549, 5340, 6011, 6880, 5080, 6076,
  2572, 3724, 3326, 3896, 2822, 4425, 1556, 2706, 3214))
strip$y[with(strip, (G == 1 & N == 1 & B == 1) | (G == 3 & N == 2 & B == 2) |
                    (G == 6 & N == 3 & B == 3))] <- NA
strip$SG <- strip$B:strip$G
strip$SN <- strip$B:strip$N
report("rice strip-plot, three missing", fit(y ~ B + G * N + (1 | SG) + (1 | SN), strip),
       c("G", "N"))

# 4. Invented alpha design: 12 treatments in 3 replicates, blocks of 4.
alpha <- data.frame(
  R = gl(3, 12), B = gl(9, 4),
  T = factor(c(4, 3, 2, 1, 7, 6, 8, 5, 10, 12, 9, 11, 6, 1, 4, 11, 5, 8, 3, 10, 7, 9, 12, 2,
               1, 10, 4, 7, 8, 5, 2, 11, 12, 3, 9, 6)),
  y = c(46.0, 53.9, 51.7, 44.2, 48.2, 43.8, 45.3, 55.8, 41.3, 33.5, 32.7, 36.9,
        53.5, 56.4, 56.2, 51.8, 55.3, 48.0, 48.1, 52.6, 51.4, 44.1, 51.2, 58.8,
        60.8, 62.0, 65.5, 56.0, 48.8, 51.9, 55.2, 48.1, 37.6, 47.6, 37.5, 44.4))
report("alpha", fit(y ~ R + T + (1 | B), alpha), "T")

# 5. Invented samples: 4 treatments in 3 blocks, one to four samples a plot.
samples <- data.frame(
  P = factor(c(1, 2, 2, 3, 4, 5, 5, 5, 6, 6, 6, 7, 7, 8, 8, 9, 9, 9, 9, 10, 10, 10, 11, 11,
               12, 12, 12, 12)),
  y = c(19.4, 11.6, 10.7, 10.6, 8.0, 13.2, 16.4, 19.1, 14.9, 16.1, 19.1, 15.3, 12.2, 7.8, 14.3,
        32.0, 24.1, 27.0, 25.5, 12.2, 10.5, 8.1, 14.8, 17.5, 15.7, 17.0, 19.5, 15.7))
samples$B <- factor((as.integer(samples$P) - 1) %/% 4)
samples$T <- factor((as.integer(samples$P) - 1) %% 4)
report("samples", fit(y ~ B + T + (1 | P), samples), "T")
