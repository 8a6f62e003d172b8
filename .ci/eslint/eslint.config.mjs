// One set of rules for the scripts of every page: maps, record page, traces.
// Each file is a part of one script, so that names of other files are not known to it.
export default [
  {
    files: ["**/*.js"],
    linterOptions: { reportUnusedDisableDirectives: "error" },
    languageOptions: { ecmaVersion: 2022, sourceType: "script" },
    rules: {
      "array-callback-return": "error",
      "consistent-return": "off",
      eqeqeq: "error",
      "no-cond-assign": "error",
      "no-constant-condition": "error",
      "no-dupe-keys": "error",
      "no-else-return": "error",
      "no-empty": "error",
      "no-eval": "error",
      "no-fallthrough": "error",
      "no-implied-eval": "error",
      "no-new-func": "error",
      "no-redeclare": "error",
      "no-self-assign": "error",
      "no-unreachable": "error",
      "no-unsafe-finally": "error",
      "no-unused-vars": ["error", { vars: "local" }],
      "no-useless-return": "error",
      "no-var": "error",
      "object-shorthand": "error",
      "prefer-const": "error",
      "use-isnan": "error",
      "valid-typeof": "error",
    },
  },
];
