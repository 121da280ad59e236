# Answers of R for tests/published/test_repeated_measures_reference.py.
# Packages: nlme (gls by REML, Orthodont), car (univariate tests with corrections).
# Run: Rscript repeated_measures.R > repeated_measures.txt  (R 4.2.2 made the answers kept)
# nlme has no small-sample degrees of freedom for gls, so Kenward and Roger's (with the bias of the
# parameters, as in their paper of 2009) and Satterthwaite's are worked out below from their
# formulas with plain dense matrices.
suppressMessages({library(nlme); library(car)})
options(contrasts = c("contr.sum", "contr.poly"), digits = 12)

line <- function(name, x) cat(sprintf("    %s: [%s],\n", dQuote(name, FALSE),
  paste(trimws(formatC(unlist(x), digits = 12, format = "g")), collapse = ", ")))

# 1. Split-plot in time: corrections of the degrees of freedom. -------------------------------
univariate <- function(title, between, wide, error_df) {
  cat(dQuote(title, FALSE), ": {\n", sep = "")
  day <- data.frame(day = factor(seq_len(ncol(wide))))
  model <- lm(as.formula(paste("wide ~", between)))
  s <- suppressWarnings(summary(Anova(model, idata = day, idesign = ~day, type = 3)))
  tab <- s$univariate.tests
  for (term in rownames(tab)[-1])
    line(term, tab[term, c("Sum Sq", "num Df", "Error SS", "den Df", "F value", "Pr(>F)")])
  for (term in rownames(s$sphericity.tests))
    line(paste("mauchly", term), s$sphericity.tests[term, ])
  for (term in rownames(s$pval.adjustments))
    line(paste("corrections", term), s$pval.adjustments[term, ])
  cat("},\n")
}
wide <- reshape(as.data.frame(Orthodont), idvar = "Subject", timevar = "age", direction = "wide",
                v.names = "distance")
sex <- wide$Sex
univariate("Orthodont", "sex", as.matrix(wide[, grep("distance", names(wide))]))

# Invented: 4 treatments in 4 blocks (plots run through treatments first), days 1, 3, 7, 14.
days <- c(1, 3, 7, 14)
plots <- matrix(c(
  5.9, 12.7, 19.7, 23.9,   7.8, 9.0, 14.3, 21.5,   1.2, 5.3, 11.0, 14.5,   4.3, 5.4, 7.1, 6.1,
  15.1, 17.7, 23.2, 27.9,  10.1, 13.9, 16.6, 22.3, 6.3, 7.7, 13.9, 19.5,   2.7, 4.3, 5.6, 7.1,
  9.5, 14.6, 18.6, 23.0,   10.7, 12.9, 19.8, 22.0, 6.8, 8.4, 8.6, 15.1,    7.7, 10.3, 11.7, 14.8,
  12.6, 16.5, 21.3, 27.7,  8.6, 12.9, 16.9, 20.5,  8.7, 11.1, 12.0, 14.6,  5.5, 7.8, 11.3, 15.1),
  ncol = 4, byrow = TRUE)
block <- gl(4, 4)
treatment <- gl(4, 1, 16)
univariate("blocks", "block + treatment", plots)

# 2. REML with correlated days. ----------------------------------------------------------------
long <- data.frame(y = as.vector(t(plots)), plot = gl(16, 4), day = gl(4, 1, 64),
                   when = rep(days, 16), B = rep(block, each = 4), T = rep(treatment, each = 4))
missing <- long
missing$y[c(3, 18, 19, 40, 61)] <- NA
missing <- missing[!is.na(missing$y), ]
teeth <- as.data.frame(Orthodont)
teeth <- data.frame(y = teeth$distance, plot = factor(as.character(teeth$Subject)),
                    day = factor(teeth$age), when = teeth$age, T = teeth$Sex)
teeth <- teeth[order(teeth$plot, teeth$when), ]
teeth_missing <- teeth[-c(2, 30, 31, 77, 100), ]

control <- glsControl(tolerance = 1e-13, msTol = 1e-15, msMaxIter = 1000, maxIter = 1000)

# Covariance of all observations and its derivatives, for what was fitted.
same <- function(d) outer(as.integer(d$plot), as.integer(d$plot), "==") * 1
lag <- function(d) abs(outer(d$when, d$when, "-"))
autoregressive <- function(d, unit) list(
  v = function(t) t[1] * t[2]^(lag(d) / unit) * same(d),
  first = function(t) { l <- lag(d) / unit
    list(t[2]^l * same(d), t[1] * l * t[2]^(l - 1) * same(d)) },
  second = function(t) { l <- lag(d) / unit; cross <- l * t[2]^(l - 1) * same(d)
    list(list(0 * l, cross), list(cross, t[1] * l * (l - 1) * t[2]^(l - 2) * same(d))) })
unstructured <- function(d) {
  k <- nlevels(d$day); at <- which(lower.tri(diag(k), TRUE), arr.ind = TRUE)
  at <- at[order(at[, 1], at[, 2]), ]
  i <- as.integer(d$day)
  parts <- lapply(seq_len(nrow(at)), function(r) { m <- matrix(0, k, k)
    m[at[r, 1], at[r, 2]] <- m[at[r, 2], at[r, 1]] <- 1; m[i, i] * same(d) })
  list(v = function(t) Reduce(`+`, Map(`*`, t, parts)), first = function(t) parts,
       second = function(t) NULL)
}

reml <- function(t, cov, x, y) {
  v <- cov$v(t); w <- solve(v); info <- t(x) %*% w %*% x
  r <- y - x %*% solve(info, t(x) %*% w %*% y)
  -0.5 * as.numeric((length(y) - ncol(x)) * log(2 * pi) + determinant(v)$modulus +
    determinant(info)$modulus - determinant(crossprod(x))$modulus + t(r) %*% w %*% r)
}

small_sample <- function(t, cov, x, y, tests) {
  v <- cov$v(t); w <- solve(v); first <- cov$first(t); second <- cov$second(t)
  phi <- solve(t(x) %*% w %*% x); beta <- phi %*% t(x) %*% w %*% y
  k <- length(t)
  p <- lapply(first, function(g) -t(x) %*% w %*% g %*% w %*% x)
  info <- matrix(0, k, k); q <- vector("list", k)
  for (i in 1:k) { q[[i]] <- vector("list", k); for (j in 1:k) {
    q[[i]][[j]] <- t(x) %*% w %*% first[[i]] %*% w %*% first[[j]] %*% w %*% x
    info[i, j] <- 0.5 * (sum(diag(w %*% first[[i]] %*% w %*% first[[j]])) -
      2 * sum(diag(phi %*% q[[i]][[j]])) + sum(diag(phi %*% p[[i]] %*% phi %*% p[[j]]))) } }
  W <- solve(info); inner <- 0 * phi
  for (i in 1:k) for (j in 1:k) {
    r <- if (is.null(second)) 0 * phi else t(x) %*% w %*% second[[i]][[j]] %*% w %*% x
    inner <- inner + W[i, j] * (q[[i]][[j]] - p[[i]] %*% phi %*% p[[j]] - r / 4) }
  adjusted <- phi + 2 * phi %*% inner %*% phi
  # Bias of the parameters of a covariance that is not linear in them (Cox and Snell), which
  # moves phi: -1/4 W c with c_s = sum W_tu tr(P V_tu P V_s).
  if (!is.null(second)) {
    P <- w - w %*% x %*% phi %*% t(x) %*% w
    c <- sapply(1:k, function(s) { total <- 0
      for (i in 1:k) for (j in 1:k)
        total <- total + W[i, j] * sum(diag(P %*% second[[i]][[j]] %*% P %*% first[[s]]))
      total })
    bias <- -0.25 * W %*% c
    for (s in 1:k) adjusted <- adjusted + bias[s] * phi %*% p[[s]] %*% phi
  }
  # Observed information of the variance parameters, numerically.
  H <- -optimHess(t, reml, cov = cov, x = x, y = y, control = list(ndeps = 1e-4 * abs(t) + 1e-6))
  A <- solve(H)
  for (name in names(tests)) {
    L <- tests[[name]]; l <- nrow(L)
    theta <- t(L) %*% solve(L %*% phi %*% t(L)) %*% L
    a1 <- a2 <- 0
    for (i in 1:k) for (j in 1:k) {
      u <- theta %*% phi %*% p[[i]] %*% phi; z <- theta %*% phi %*% p[[j]] %*% phi
      a1 <- a1 + W[i, j] * sum(diag(u)) * sum(diag(z)); a2 <- a2 + W[i, j] * sum(diag(u %*% z)) }
    b <- (a1 + 6 * a2) / (2 * l); g <- ((l + 1) * a1 - (l + 4) * a2) / ((l + 2) * a2)
    s <- 3 * l + 2 * (1 - g)
    e <- 1 / (1 - a2 / l)
    vv <- 2 / l * (1 + g / s * b) / ((1 - (l - g) / s * b)^2 * (1 - (l + 2 - g) / s * b))
    rho <- vv / (2 * e^2); m <- 4 + (l + 2) / (l * rho - 1); lambda <- m / (e * (m - 2))
    est <- L %*% beta
    line(paste("kr", name), c(l, m, lambda / l * t(est) %*% solve(L %*% adjusted %*% t(L), est)))
    if (l == 1) {
      gr <- sapply(p, function(pp) as.numeric(-L %*% phi %*% pp %*% phi %*% t(L)))
      line(paste("sw", name),
           c(1, 2 * as.numeric(L %*% phi %*% t(L))^2 / as.numeric(t(gr) %*% A %*% gr),
             est^2 / (L %*% phi %*% t(L))))
    }
  }
}

report <- function(title, formula, data, correlation, weights, cov, theta) {
  cat(dQuote(title, FALSE), ": {\n", sep = "")
  model <- gls(formula, data, correlation = correlation, weights = weights, method = "REML",
               control = control)
  x <- model.matrix(formula, data)
  t <- theta(model)
  # gls stops a little early: settle the last digits with Newton steps on the dense likelihood.
  for (step in 1:6) {
    v <- cov$v(t); w <- solve(v); f <- cov$first(t)
    P <- w - w %*% x %*% solve(t(x) %*% w %*% x, t(x) %*% w); u <- P %*% data$y
    gr <- sapply(f, function(g) -0.5 * (sum(P * g) - as.numeric(t(u) %*% g %*% u)))
    info <- outer(seq_along(f), seq_along(f), Vectorize(function(i, j)
      0.5 * sum(diag(P %*% f[[i]] %*% P %*% f[[j]]))))
    t <- t + solve(info, gr)
  }
  line("gls theta", theta(model))
  line("theta", t)
  line("log likelihood of gls, freed of coding", as.numeric(logLik(model)) +
    as.numeric(determinant(crossprod(x))$modulus) / 2)
  line("log likelihood", reml(t, cov, x, data$y))
  columns <- attr(x, "assign"); labels <- attr(terms(formula), "term.labels")
  tests <- lapply(seq_along(labels), function(i) diag(ncol(x))[columns == i, , drop = FALSE])
  names(tests) <- labels
  tests[["T1 level"]] <- diag(ncol(x))[which(columns == which(labels == "T"))[1], , drop = FALSE]
  small_sample(t, cov, x, data$y, tests)
  wald <- anova(model, type = "marginal")
  for (term in labels) line(paste("wald F of gls", term), wald[term, "F-value"])
  cat("},\n")
}

ar_theta <- function(unit) function(m) {
  phi <- coef(m$modelStruct$corStruct, unconstrained = FALSE); c(m$sigma^2, phi^unit) }
# Covariance of a plot seen on all days, lower triangle by rows.
un_theta <- function(individual) function(m) {
  s <- getVarCov(m, individual = individual); at <- which(lower.tri(s, TRUE), arr.ind = TRUE)
  at <- at[order(at[, 1], at[, 2]), ]; as.numeric(s[at])
}

blocks <- y ~ B + B:day + T + day + T:day
report("blocks, autoregressive", blocks, missing, corCAR1(0.8, form = ~ when | plot), NULL,
       autoregressive(missing, 2), ar_theta(2))
report("blocks level only, autoregressive", y ~ B + T + day + T:day, missing,
       corCAR1(0.8, form = ~ when | plot), NULL, autoregressive(missing, 2), ar_theta(2))
report("teeth, autoregressive", y ~ T + day + T:day, teeth_missing,
       corCAR1(0.8, form = ~ when | plot), NULL, autoregressive(teeth_missing, 2), ar_theta(2))
report("teeth, unstructured", y ~ T + day + T:day, teeth_missing,
       corSymm(form = ~ as.integer(day) | plot), varIdent(form = ~ 1 | day),
       unstructured(teeth_missing), un_theta("M16"))
