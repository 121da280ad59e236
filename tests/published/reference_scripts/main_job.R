# Answers of R for the whole job in tests/published/test_main_job_r.py.
# Packages: emmeans (least-squares means), mvtnorm (Dunnett), MASS (oats).
# Run: Rscript main_job.R > main_job.txt  (R 4.2.2 made the answers that are kept)
# Data: InsectSprays and OrchardSprays as shipped with R, oats as shipped with MASS; which plots are
# left out is written below and in the test. Two-sided tests, level 5 %.
# Lines: case, table, then "anova": source df sum_sq F p; "means": treatment n mean least-squares
# mean, its se, lower, upper (back on the counted scale); "pairs": a b difference se, then p of
# tukey lsd bonferroni sidak holm fdr scheffe snk duncan; "dunnett": a difference p.
suppressMessages({library(emmeans); library(mvtnorm)})
set.seed(1)
say <- function(...) cat(paste(vapply(list(...), function(x) paste(
  if (is.numeric(x)) trimws(formatC(x, digits = 15, format = "g")) else x, collapse = " "), ""),
  collapse = " "), "\n", sep = "")

# A span inside a span that is not significant is not tested: its p is at least that of the wider
# one. Duncan's level for a span of w means is 1 - (1 - alpha)^(w - 1), and his ranges must not fall
# as spans widen, so p is the largest over the spans up to w.
stepwise <- function(mu, V, df, duncan) {
  k <- length(mu); ord <- order(-mu); P <- matrix(NA, k, k)
  range_p <- function(q, w) if (w == 2) 2 * pt(-q / sqrt(2), df) else
    ptukey(q, w, df, lower.tail = FALSE)
  for (w in k:2) for (i in 1:(k - w + 1)) {
    j <- i + w - 1; A <- ord[i]; B <- ord[j]
    q <- (mu[A] - mu[B]) / sqrt(V[A, A] + V[B, B] - 2 * V[A, B]) * sqrt(2)
    p <- if (duncan) max(vapply(2:w, function(v) 1 - (1 - range_p(q, v))^(1 / (v - 1)), 0)) else
      range_p(q, w)
    if (i > 1) p <- max(p, P[i - 1, j])
    if (j < k) p <- max(p, P[i, j + 1])
    P[i, j] <- p
  }
  rank <- match(seq_len(k), ord)
  function(a, b) P[min(rank[a], rank[b]), max(rank[a], rank[b])]
}

report <- function(case, data, blocking, untreated, forward, backward) {
  raw <- tapply(data$y, data$treatment, mean); n <- table(data$treatment)
  data$z <- forward(data$y)
  model <- lm(as.formula(paste("z ~", paste(c(blocking, "treatment"), collapse = " + "))), data)
  tab <- anova(model)
  for (s in rownames(tab)) say(case, "anova", sub("Residuals", "error", s), tab[s, "Df"],
    tab[s, "Sum Sq"], tab[s, "F value"], tab[s, "Pr(>F)"])
  means <- emmeans(model, "treatment"); m <- as.data.frame(summary(means, level = 0.95))
  mu <- m$emmean; V <- vcov(means); df <- model$df.residual; id <- as.character(m$treatment)
  half <- qt(0.975, df) * m$SE
  for (i in seq_along(id)) say(case, "means", id[i], n[[id[i]]], raw[[id[i]]], mu[i], m$SE[i],
    backward(mu[i] - half[i]), backward(mu[i] + half[i]))
  pair <- combn(length(id), 2); a <- pair[1, ]; b <- pair[2, ]
  d <- mu[a] - mu[b]; se <- sqrt(diag(V)[a] + diag(V)[b] - 2 * V[t(pair)])
  t <- abs(d / se); p <- 2 * pt(-t, df); k <- length(id)
  snk <- stepwise(mu, V, df, FALSE); duncan <- stepwise(mu, V, df, TRUE)
  all <- cbind(ptukey(t * sqrt(2), k, df, lower.tail = FALSE), p, p.adjust(p, "bonferroni"),
    -expm1(length(p) * log1p(-p)), p.adjust(p, "holm"), p.adjust(p, "BH"),
    pf(t^2 / (k - 1), k - 1, df, lower.tail = FALSE), mapply(snk, a, b), mapply(duncan, a, b))
  for (i in seq_along(a)) say(case, "pairs", id[a[i]], id[b[i]], d[i], se[i], all[i, ])
  o <- which(id == untreated); others <- setdiff(seq_along(id), o)
  L <- diag(length(id))[others, ]; L[, o] <- -1
  C <- L %*% V %*% t(L); d <- as.vector(L %*% mu); t <- abs(d / sqrt(diag(C))); R <- cov2cor(C)
  for (i in seq_along(others)) {
    q <- length(others)
    inside <- pmvt(rep(-t[i], q), rep(t[i], q), df = df, corr = R,
      algorithm = GenzBretz(abseps = 2e-6, maxpts = 5e6))
    say(case, "dunnett", id[others[i]], d[i], 1 - as.numeric(inside))
  }
}

same <- function(x) x
up <- list(none = same, sqrt = function(y) sqrt(y + 0.5), log = function(y) log10(y + 1))
back <- list(none = same, sqrt = function(z) pmax(z, sqrt(0.5))^2 - 0.5,
  log = function(z) 10^pmax(z, 0) - 1)

sprays <- data.frame(y = InsectSprays$count, treatment = InsectSprays$spray)
kept <- c(A = 12, B = 10, C = 12, D = 7, E = 12, F = 9)  # the first of each spray
sprays <- do.call(rbind, lapply(names(kept), function(s) head(sprays[sprays$treatment == s, ], kept[[s]])))
for (scale in names(up))
  report(paste0("sprays-", scale), sprays, character(), "F", up[[scale]], back[[scale]])

orchard <- with(OrchardSprays, data.frame(y = decrease, treatment = treatment,
  row = factor(rowpos), column = factor(colpos)))
lost <- with(orchard, paste(row, column)) %in% c("1 1", "3 5", "6 2")
report("orchard-sqrt", orchard[!lost, ], c("row", "column"), "H", up$sqrt, back$sqrt)

# Nitrogen as the treatment: three plots of each in a block, the varieties left out of account.
oats <- with(MASS::oats, data.frame(y = Y, treatment = factor(N, labels = c("0", "2", "4", "6")),
  block = B, variety = V))
lost <- with(oats, paste(block, variety, treatment)) %in%
  c("I Victory 4", "II Golden.rain 0", "II Marvellous 0", "V Victory 6")
report("oats-none", oats[!lost, ], "block", "0", same, same)
