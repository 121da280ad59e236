# A split-plot whose main plots lie in a Latin square of four; invented numbers, answers in
# split_plot_square.txt.
options(digits=15)
d <- expand.grid(sub=0:2, column=0:3, row=0:3)
i <- seq_len(nrow(d)) - 1
d$main <- (d$row + 3 * d$column) %% 4
d$y <- 50 + 3 * d$row - 2 * d$column + 4 * d$main + 5 * d$sub + (17 * i) %% 23 + 1.5 * ((5 * (i %/% 3)) %% 11)
for (n in c("sub", "column", "row", "main")) d[[n]] <- factor(d[[n]])
fit <- aov(y ~ row + column + main * sub + Error(row:column), d)
for (part in summary(fit)) {
  tab <- part[[1]]
  for (k in seq_len(nrow(tab)))
    cat('"', trimws(rownames(tab))[k], if (nrow(tab) == 4) " of main plots" else "", '": [',
        paste(format(unlist(tab[k, ]), digits=14, trim=TRUE), collapse=", "), "],\n", sep="")
}
