# Writes the data sets and the numbers of R's package pls that the tests compare with.
# Run in this folder:  Rscript pls_export.R
library(pls)
# the fewest digits, from 15 to 17, that read back to the same double
number <- function(x) ifelse(as.numeric(sprintf("%.15g", x)) == x, sprintf("%.15g", x),
                      ifelse(as.numeric(sprintf("%.16g", x)) == x, sprintf("%.16g", x),
                             sprintf("%.17g", x)))
save_table <- function(frame, file) {
  for (name in names(frame)) if (is.double(frame[[name]])) {
    stopifnot(as.numeric(number(frame[[name]])) == frame[[name]])
    frame[[name]] <- number(frame[[name]])
  }
  write.csv(frame, file, row.names = FALSE, quote = FALSE)
}

data(gasoline)
wavelength <- sub(" nm", "", colnames(gasoline$NIR))
spectra <- as.data.frame(unclass(gasoline$NIR)); names(spectra) <- wavelength
save_table(cbind(data.frame(standard = paste0("G", sprintf("%02d", 1:60)),
                            use = ifelse(1:60 <= 50, "calibration", "held-out"),
                            octane = gasoline$octane), spectra), "gasoline.csv")
data(yarn)
spectra <- as.data.frame(unclass(yarn$NIR)); names(spectra) <- paste0("x", 1:ncol(spectra))
save_table(cbind(data.frame(use = ifelse(yarn$train, "calibration", "held-out"),
                            density = yarn$density), spectra), "yarn.csv")
data(oliveoil)
save_table(cbind(data.frame(sample = rownames(oliveoil)),
                 as.data.frame(unclass(oliveoil$chemical)),
                 as.data.frame(unclass(oliveoil$sensory))), "oliveoil.csv")

# One row a number: data set, quantity, analyte, components, index, value.
rows <- list()
keep <- function(set, quantity, analyte, components, values)
  rows[[length(rows) + 1]] <<- data.frame(set = set, quantity = quantity, analyte = analyte,
    components = components, index = seq_along(values), value = sprintf("%.13g", as.numeric(values)))
record <- function(set, formula, data, ncomp, scale = FALSE, newdata = NULL, analyte) {
  fit <- plsr(formula, ncomp = ncomp, data = data, validation = "LOO", scale = scale,
              method = "oscorespls")
  for (a in seq_len(ncomp)) {
    keep(set, "coefficient", analyte, a, drop(coef(fit, ncomp = a)))
    keep(set, "loo_prediction", analyte, a, fit$validation$pred[, 1, a])
    keep(set, "weight", analyte, a, fit$loading.weights[, a])
    keep(set, "score", analyte, a, fit$scores[, a])
    keep(set, "loading", analyte, a, fit$loadings[, a])
  }
  keep(set, "x_explained", analyte, ncomp, explvar(fit) / 100)
  keep(set, "rmsecv", analyte, ncomp, RMSEP(fit, estimate = "CV")$val[1, 1, ])
  if (!is.null(newdata))
    keep(set, "rmsep", analyte, ncomp, RMSEP(fit, newdata = newdata)$val[1, 1, ])
}
record("gasoline", octane ~ NIR, gasoline[1:50, ], 10, newdata = gasoline[51:60, ],
       analyte = "octane")
record("yarn", density ~ NIR, yarn[yarn$train, ], 6, newdata = yarn[!yarn$train, ],
       analyte = "density")
for (name in colnames(oliveoil$sensory)) {
  one <- data.frame(y = oliveoil$sensory[, name]); one$chemical <- oliveoil$chemical
  record("oliveoil", y ~ chemical, one, 4, scale = TRUE, analyte = name)
}
# van der Voet's test of 1, 2, ... components against the best, one sign a sample
set.seed(1)
fit <- plsr(octane ~ NIR, ncomp = 10, data = gasoline[1:50, ], validation = "LOO")
residual <- fit$validation$pred[, 1, ] - gasoline$octane[1:50]
best <- which.min(colMeans(residual^2))
keep("gasoline", "randomisation_p", "octane", 10, sapply(seq_len(best - 1), function(a)
  pls:::randomiz.test(residual[, a], residual[, best], nperm = 99999)))
write.csv(do.call(rbind, rows), "pls_r_values.csv", row.names = FALSE, quote = FALSE)
cat("pls", as.character(packageVersion("pls")), "\n")
