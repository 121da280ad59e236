# Shares of very many items in a split-plot and a strip-plot: answers for test_share_strata_values.py.
# Plots differ by little, so that logits of shares are as good as normal with equal variances, and
# strata of the logits, a mixed model of them and a quasi-binomial within larger units must agree
# with the beta-binomial analysis. Run: Rscript share_strata.R > share_strata.txt
# Made with R 4.2.2, lme4 1.1-31, emmeans 1.8.4-1, pbkrtest.
suppressMessages({library(lme4); library(emmeans)})
d <- expand.grid(sub = 0:2, main = 0:2, block = 0:3)
i <- seq_len(nrow(d)) - 1
plot <- 3 * d$block + d$main
strip <- 3 * d$block + d$sub
eta <- -0.4 + 0.02 * d$block + 0.01 * d$main - 0.015 * d$sub + 0.01 * sin(7 * i + 1) +
  0.02 * cos(5 * plot + 2) + 0.015 * sin(11 * strip + 3)
items <- 1e8
hits <- round(items * plogis(eta))
z <- qlogis(hits / items)
for (v in c("block", "main", "sub")) d[[v]] <- factor(d[[v]])
d$plot <- factor(plot); d$strip <- factor(strip)

say <- function(...) cat(..., "\n")
digits <- function(x) format(x, digits = 10)
lines_of <- function(fit, design) {
  for (part in summary(fit)) {
    table <- part[[1]]
    for (row in trimws(rownames(table))) {
      if (row %in% c("main", "sub", "main:sub")) {
        at <- which(trimws(rownames(table)) == row)
        last <- nrow(table)
        say(design, "F", row, digits(table[at, "F value"]), table[last, "Df"])
      }
    }
  }
}
lines_of(aov(z ~ block + main * sub + Error(plot), d), "split")
lines_of(aov(z ~ block + main * sub + Error(plot + strip), d), "strips")

none <- glm(cbind(hits, items - hits) ~ plot, quasibinomial, d)
part <- glm(cbind(hits, items - hits) ~ plot + sub, quasibinomial, d)
full <- glm(cbind(hits, items - hits) ~ plot + sub + main:sub, quasibinomial, d)
found <- anova(none, part, full, test = "F")
say("glm F sub", digits(found$F[2]), full$df.residual)
say("glm F main:sub", digits(found$F[3]), full$df.residual)

contrasts_of <- function(fit, design) {
  cells <- emmeans(fit, ~ sub * main, lmer.df = "kenward-roger")
  found <- summary(contrast(cells, "trt.vs.ctrl1"))
  for (k in seq_len(nrow(found)))
    say(design, "contrast", k, digits(found$estimate[k]), digits(found$SE[k]), digits(found$df[k]))
}
contrasts_of(lmer(z ~ block + main * sub + (1 | plot), d), "split")
contrasts_of(lmer(z ~ block + main * sub + (1 | plot) + (1 | strip), d), "strips")
