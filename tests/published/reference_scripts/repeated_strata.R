# Repeated measures in a split-plot and a strip-plot: oats (Yates 1935, MASS package) with invented
# changes over four days; answers in repeated_strata.txt.
suppressPackageStartupMessages({library(lme4); library(pbkrtest); library(nlme); library(MASS)})
options(digits=15, contrasts=c("contr.sum","contr.poly"))
say <- function(name, x) cat('"', name, '": [', paste(format(x, digits=12, trim=TRUE), collapse=", "), "],\n", sep="")
o <- oats
names(o) <- c("block", "main", "sub", "grain")
n <- nrow(o); i <- seq_len(n) - 1
o$mp <- factor(paste(o$block, o$main))
o$plot <- factor(i)
k <- as.integer(o$mp) - 1; m <- as.integer(o$main) - 1; s <- as.integer(o$sub) - 1
# Days of one plot stay alike: what differs from day to day is added up.
w <- matrix(0, n, 4)
for (t in 1:4) w[, t] <- (if (t > 1) 0.6 * w[, t - 1] else 0) + ((13 * i + 29 * t * t + 7 * i * t) %% 31) - 15
Y <- sapply(1:4, function(t) o$grain + w[, t] + 0.7 * (((5 * k + 11 * t * k + 3 * t) %% 17) - 8) + t * (2 * m + 3 * s))
long <- o[rep(seq_len(n), 4), ]
long$y <- as.vector(Y); long$time <- rep(1:4, each=n); long$day <- factor(long$time)
long$md <- factor(paste(long$mp, long$day))
# --- by strata
sources <- function(fit) {
  for (part in summary(fit)) {
    tab <- part[[1]]
    for (r in rownames(tab)) {
      name <- trimws(r)
      if (!is.null(tab$`F value`) && name != "Residuals" && !is.na(tab[r, "F value"]))
        say(paste("aov", name), c(tab[r, "Df"], tab["Residuals", "Df"], tab[r, "F value"], tab[r, "Pr(>F)"]))
    }
  }
}
sources(aov(y ~ block * day + main * sub * day + Error(mp + md + plot), long))
M <- apply(Y, 2, function(v) tapply(v, o$mp, mean)); first <- match(levels(o$mp), o$mp); h <- o[first, ]
sph <- function(label, tab) say(label, unlist(tab[2, c("F", "num Df", "den Df", "Pr(>F)", "G-G Pr", "H-F Pr")]))
sph("spherical main:day", anova(lm(M ~ block + main, h), lm(M ~ block, h), X=~1, test="Spherical"))
full <- lm(Y ~ mp + sub + main:sub, o)
sph("spherical main:sub:day", anova(full, lm(Y ~ mp + sub, o), X=~1, test="Spherical"))
# --- by REML with days missing
L.test <- function(fit, which) {
  X <- getME(fit, "X"); a <- attr(X, "assign"); tl <- attr(terms(fit), "term.labels")
  L <- diag(ncol(X))[a == match(which, tl), , drop=FALSE]
  st <- KRmodcomp(fit, L)$stats
  c(st$ndf, st$ddf, st$Fstat, st$p.value)
}
lost <- c(3, 77, 130, 131, 200, 251, 286)
for (case in c("whole", "missing")) {
  d <- if (case == "whole") long else long[-lost, ]
  fit <- lmer(y ~ block * day + main * sub * day + (1 | mp) + (1 | md) + (1 | plot), d,
              control=lmerControl(optCtrl=list(xtol_rel=1e-12, ftol_abs=1e-12)))
  vc <- as.data.frame(VarCorr(fit)); rownames(vc) <- vc$grp
  say(paste(case, "variances"), vc[c("mp", "md", "plot", "Residual"), "vcov"])
  tl <- attr(terms(fit), "term.labels")
  for (t in c("main", "sub", "main:sub")) say(paste(case, t), L.test(fit, t))
  for (t in c("main", "sub", "main:sub")) {
    own <- tl[sapply(strsplit(tl, ":"), function(x) setequal(x, c(strsplit(t, ":")[[1]], "day")))]
    say(paste0(case, " ", t, ":day"), L.test(fit, own))
  }
}
# --- autoregressive within plots
ar <- lme(y ~ block * day + main * sub * day, long[-lost, ],
          random=list(mp=pdBlocked(list(pdIdent(~ 1), pdIdent(~ day - 1))), plot=~ 1),
          correlation=corAR1(form=~ time | mp/plot), control=lmeControl(maxIter=500, msMaxIter=500, niterEM=100, opt="optim", tolerance=1e-9, msTol=1e-10))
s2 <- ar$sigma^2
re <- as.matrix(ar$modelStruct$reStruct$mp) * s2; pl <- as.matrix(ar$modelStruct$reStruct$plot) * s2
say("ar variances", c(re[1, 1], re[2, 2], pl[1, 1], s2, coef(ar$modelStruct$corStruct, unconstrained=FALSE)))
say("ar loglik", as.numeric(logLik(ar)))
