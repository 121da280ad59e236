# Planned contrasts with missing plots, in randomised blocks, a Latin square, a split-plot, and
# completely randomised; and covariance adjustment in a split-plot whose main plots vary less than
# their subplots would have them do. Answers in contrasts.txt.
suppressPackageStartupMessages({library(MASS); library(lme4); library(pbkrtest); library(emmeans); library(nlme)})
options(digits = 15, contrasts = c("contr.sum", "contr.poly"))
say <- function(name, x) cat('"', name, '": [', paste(format(x, digits = 12, trim = TRUE), collapse = ", "), "],\n", sep = "")
answer <- function(label, means, weights) {
  a <- summary(contrast(means, weights), infer = c(TRUE, TRUE))
  for (i in seq_along(weights))
    say(paste(label, i), unlist(a[i, c("estimate", "SE", "df", "p.value", "lower.CL", "upper.CL")]))
}
against <- function(levels, group, other)
  (levels %in% group) / length(group) - (levels %in% other) / length(other)
one <- function(data, f) { e <- emmeans(f, "trt"); list(e, as.character(as.data.frame(e)$trt)) }

d <- OrchardSprays[-c(5, 40), ]; d$trt <- d$treatment
e <- one(d, lm(decrease ~ factor(rowpos) + factor(colpos) + trt, d))
answer("latin", e[[1]], list(against(e[[2]], c("B", "C"), c("E", "F")), against(e[[2]], "D", "H"),
                             against(e[[2]], LETTERS[2:8], "A")))
d <- immer[-c(2, 19), ]; d$trt <- d$Var
e <- one(d, lm(Y1 ~ Loc + trt, d))
answer("blocks", e[[1]], list(against(e[[2]], c("M", "T"), "P"), against(e[[2]], c("S", "V"), c("M", "P", "T"))))
d <- InsectSprays[-c(3, 50), ]; d$trt <- d$spray
e <- one(d, lm(sqrt(count + 0.5) ~ trt, d))
answer("crd", e[[1]], list(against(e[[2]], c("A", "B", "F"), c("C", "D", "E")), against(e[[2]], "C", "D")))
d <- oats[-c(6, 30, 55), ]
f <- lmer(Y ~ B + V * N + (1 | B:V), d)
e <- emmeans(f, ~ N + V, lmer.df = "kenward-roger")
g <- as.data.frame(e); level <- paste0(g$V, ":", g$N)
n <- sort(unique(as.character(d$N)))
answer("split", e, list(
  against(level, paste0("Victory:", n), paste0("Marvellous:", n)),
  against(level, "Victory:0.6cwt", "Victory:0.0cwt"),
  against(level, c("Marvellous:0.4cwt", "Marvellous:0.6cwt"), c("Victory:0.0cwt", "Golden.rain:0.2cwt"))))

# Four fifths of what main plots differ by, inside blocks and varieties, are taken away.
o <- oats
i <- seq_len(nrow(o)) - 1
o$x <- (7 * i) %% 19
o$mp <- factor(paste(o$B, o$V))
o$y <- o$Y + 0.8 * o$x - 0.8 * (ave(o$Y, o$B, o$V) - ave(o$Y, o$B) - ave(o$Y, o$V) + mean(o$Y))
o <- o[-c(6, 30, 55), ]
f <- gls(y ~ B + V * N + x, o, correlation = corCompSymm(form = ~ 1 | mp), method = "REML",
         control = glsControl(tolerance = 1e-12, msTol = 1e-14, msMaxIter = 500))
rho <- coef(f$modelStruct$corStruct, unconstrained = FALSE)
say("signed variances", c(rho * f$sigma^2, (1 - rho) * f$sigma^2))
say("signed slope", coef(f)["x"])
say("signed means", as.data.frame(emmeans(f, ~ N + V, mode = "df.error"))$emmean)
