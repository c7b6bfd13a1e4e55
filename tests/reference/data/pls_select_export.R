# Component counts that R's package pls chooses, and its RMSEP of the test rows at each count.
# Run in this folder:  Rscript pls_select_export.R
suppressMessages(library(pls))
data(gasoline); data(yarn)
sets <- list(
  gasoline = list(formula = octane ~ NIR, most = 10, train = gasoline[1:50, ],
                  test = gasoline[51:60, ], y = gasoline$octane[1:50]),
  yarn = list(formula = density ~ NIR, most = 15, train = yarn[yarn$train, ],
              test = yarn[!yarn$train, ], y = yarn$density[yarn$train]))

# One row a number: data set, cross-validation, quantity, components, value.
rows <- list()
keep <- function(set, validation, quantity, components, values)
  rows[[length(rows) + 1]] <<- data.frame(set = set, validation = validation,
    quantity = quantity, components = components, value = sprintf("%.13g", as.numeric(values)))
for (name in names(sets)) {
  each <- sets[[name]]
  counts <- 0:each$most
  # row i of the training rows in segment (i - 1) mod 10: ours to repeat without R's generator
  n <- length(each$y)
  ways <- list("leave-one-out" = as.list(seq_len(n)),
               "10 interleaved" = split(seq_len(n), (seq_len(n) - 1) %% 10))
  for (way in names(ways)) {
    fit <- plsr(each$formula, ncomp = each$most, data = each$train, validation = "CV",
                segments = unname(ways[[way]]))
    rmsecv <- RMSEP(fit, estimate = "CV")$val[1, 1, ]
    best <- which.min(rmsecv) - 1
    keep(name, way, "rmsecv", counts, rmsecv)
    keep(name, way, "selected_minimum", best, best)
    keep(name, way, "rmsep_at_minimum", best,
         RMSEP(fit, newdata = each$test)$val[1, 1, best + 1])
    keep(name, way, "selected_onesigma", NA, selectNcomp(fit, "onesigma"))
    set.seed(1)
    keep(name, way, "selected_randomization", NA,
         selectNcomp(fit, "randomization", nperm = 99999, alpha = 0.01))
  }
  keep(name, "test rows", "rmsep", counts, RMSEP(fit, newdata = each$test)$val[1, 1, ])
}
write.csv(do.call(rbind, rows), "pls_selected.csv", row.names = FALSE, quote = FALSE)
cat("pls", as.character(packageVersion("pls")), "\n")
