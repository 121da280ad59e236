# Covariance adjustment in a split-plot (oats of Yates 1935, MASS package) and a strip-plot (rice of
# Gomez and Gomez 1984, table 3.12), with an invented covariate; answers in strata_covariate.txt.
suppressPackageStartupMessages({library(lme4); library(pbkrtest); library(emmeans); library(MASS)})
emm_options(pbkrtest.limit=5000)
options(digits=15, contrasts=c("contr.sum","contr.poly"))
say <- function(name, x) cat('"', name, '": [', paste(format(x, digits=12, trim=TRUE), collapse=", "), "],\n", sep="")
report <- function(label, full, no.x, no.trt, wide = NULL) {
  say(paste0(label, " variances"), as.data.frame(VarCorr(full))$vcov)
  co <- coef(summary(full))["x", ]
  kr <- KRmodcomp(full, no.x)$stats
  say(paste0(label, " slope"), c(co[1], sqrt(vcovAdj(full)[which(names(fixef(full)) == "x"), which(names(fixef(full)) == "x")]), kr$Fstat, kr$ddf))
  t <- KRmodcomp(full, no.trt)$stats
  say(paste0(label, " treatments"), c(t$ndf, t$ddf, t$Fstat, t$p.value))
  if (!is.null(wide)) {
    w <- KRmodcomp(wide, full)$stats
    say(paste0(label, " slopes"), c(w$ndf, w$ddf, w$Fstat, w$p.value))
  }
  e <- as.data.frame(emmeans(full, ~ sub + main, lmer.df="kenward-roger"))
  say(paste0(label, " means"), e$emmean); say(paste0(label, " se"), e$SE); say(paste0(label, " df"), e$df)
}
L.test <- function(full, which) {
  X <- getME(full, "X"); a <- attr(X, "assign"); tl <- attr(terms(full), "term.labels")
  L <- diag(ncol(X))[a == match(which, tl), , drop=FALSE]
  s <- KRmodcomp(full, L)$stats
  c(s$ndf, s$ddf, s$Fstat, s$p.value)
}
o <- oats
i <- seq_len(nrow(o)) - 1
o$x <- (7 * i) %% 19
o$y <- o$Y + 0.8 * o$x
names(o)[names(o) == "B"] <- "block"; names(o)[names(o) == "V"] <- "main"; names(o)[names(o) == "N"] <- "sub"
o$mp <- factor(paste(o$block, o$main))
for (k in 1:2) {
  d <- if (k == 1) o else o[-c(6, 30, 55), ]
  label <- c("split", "split missing")[k]
  full <- lmer(y ~ block + main * sub + x + (1 | mp), d)
  report(label, full, lmer(y ~ block + main * sub + (1 | mp), d), lmer(y ~ block + x + (1 | mp), d),
         lmer(y ~ block + main * sub * x + (1 | mp), d))
  for (t in c("main", "sub", "main:sub")) say(paste(label, t), L.test(full, t))
}
v <- scan(text="
2373 3958 4384 4076 6431 4889 7254 6808 8582 4007 5795 5001 5630 7334 7177 7053 8284 6297
2620 4508 5621 4676 6672 7019 7666 7328 8611 2726 5630 3821 4838 7007 4816 6881 7735 6667
4447 3276 4582 5549 5340 6011 6880 5080 6076 2572 3724 3326 3896 2822 4425 1556 2706 3214", quiet=TRUE)
s <- expand.grid(block=factor(1:3), sub=factor(1:3), main=factor(1:6))
i <- seq_len(nrow(s)) - 1
s$x <- (11 * i) %% 17
s$y <- v + 60 * s$x
s$h <- factor(paste(s$block, s$main)); s$w <- factor(paste(s$block, s$sub))
full <- lmer(y ~ block + main * sub + x + (1 | h) + (1 | w), s)
report("strip", full, lmer(y ~ block + main * sub + (1 | h) + (1 | w), s), lmer(y ~ block + x + (1 | h) + (1 | w), s))
for (t in c("main", "sub", "main:sub")) say(paste("strip", t), L.test(full, t))
